"""Rooms to learn from. None is built from the models' own functions.

The weather is made up; the two-node rooms have one state more than the models.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.linalg import expm

from models.first_order import FirstOrder
from models.series import Series

STEP_S = 300.0
DAY_S = 86400.0
FULL_W = 8000.0
THREE_A_WEEK = (1, 3, 5)


@dataclass(frozen=True)
class TwoNodes:
    """Cs dTs/dt = P - Hsz(Ts-Tz) - Hsg(Ts-Tg);  Cz dTz/dt = Hsz(Ts-Tz) - Hze(Tz-Te)."""

    slab_j_k: float = 18e6
    room_j_k: float = 2e6
    slab_room_w_k: float = 400.0
    slab_ground_w_k: float = 40.0
    room_out_w_k: float = 150.0

    def matrices(self, seconds: float) -> tuple[np.ndarray, np.ndarray]:
        """Zero-order hold: next state from (Ts, Tz), and from (P, Te, Tg)."""
        cs, cz = self.slab_j_k, self.room_j_k
        k, g, h = self.slab_room_w_k, self.slab_ground_w_k, self.room_out_w_k
        block = np.zeros((5, 5))
        block[0] = [-(k + g) / cs, k / cs, 1 / cs, 0.0, g / cs]
        block[1] = [k / cz, -(k + h) / cz, 0.0, h / cz, 0.0]
        whole = expm(block * seconds)
        return whole[:2, :2], whole[:2, 2:]


def weather(days: int, rng: np.random.Generator, mean_c: float = 1.0) -> tuple[np.ndarray, ...]:
    """Outdoor air [C] and irradiance [W/m2] at each step: a day's wave and a slow wander."""
    time_s = np.arange(int(days * DAY_S / STEP_S)) * STEP_S
    wander = np.cumsum(rng.normal(0.0, 2.5, days + 2))
    wander -= np.linspace(wander[0], wander[-1], days + 2)
    slow = np.interp(time_s / DAY_S, np.arange(days + 2), wander)
    clearness = np.interp(time_s / DAY_S, np.arange(days + 2), rng.uniform(0.1, 1.0, days + 2))
    outdoor = mean_c + slow + 4.0 * np.sin(2 * math.pi * (time_s / DAY_S - 0.375))
    sun = clearness * np.maximum(0.0, 350.0 * np.sin(2 * math.pi * (time_s / DAY_S - 0.25)))
    return outdoor, sun


def wanted(index: int, sessions_on: tuple[int, ...]) -> float:
    """What the room is held at: 17 C on some days of each week from 8 to 22 h, else 7 [C]."""
    day, hour = divmod(index * STEP_S / 3600.0, 24.0)
    return 17.0 if int(day) % 7 in sessions_on and 8.0 <= hour < 22.0 else 7.0


def held(air_c: float, on: bool, index: int, sessions_on: tuple[int, ...] = THREE_A_WEEK) -> float:
    """A thermostat with 0.4 K of play, so that heat depends on the air: closed loop."""
    goal = wanted(index, sessions_on) + (0.2 if on else -0.2)
    return FULL_W if air_c < goal else 0.0


def first_order_air(
    truth: FirstOrder, *, outdoor: np.ndarray, sun: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Air [C] and heat [W] of a first-order room under a thermostat, in steps of a minute."""
    decay = math.exp(-60.0 / truth.time_constant_s)
    on_its_way = deque([0.0] * round(truth.dead_time_s / 60.0))
    air, heat, now_c, power_w = np.zeros(len(outdoor)), np.zeros(len(outdoor)), 8.0, 0.0
    for i in range(len(outdoor)):
        power_w = held(now_c, power_w > 0, i)
        air[i], heat[i] = now_c, power_w
        idle_c = outdoor[i] + truth.offset_k + truth.sun_gain_k_m2_per_w * sun[i]
        for _ in range(round(STEP_S / 60.0)):
            on_its_way.append(power_w)
            goal_c = idle_c + truth.gain_k_per_w * on_its_way.popleft()
            now_c = goal_c + (now_c - goal_c) * decay
    return air, heat


def two_node_air(
    plant: TwoNodes, *, outdoor: np.ndarray, sessions_on: tuple[int, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slab and room air [C] and heat [W] of a two-node room on ground of 9 C."""
    ad, bd = plant.matrices(STEP_S)
    state, power_w = np.array([8.0, 6.0]), 0.0
    states, heat = np.zeros((len(outdoor), 2)), np.zeros(len(outdoor))
    for i in range(len(outdoor)):
        power_w = held(float(state[1]), power_w > 0, i, sessions_on)
        states[i], heat[i] = state, power_w
        state = ad @ state + bd @ np.array([power_w, outdoor[i], 9.0])
    return states[:, 0], states[:, 1], heat


def spoiled(series: Series, rng: np.random.Generator, *, noise_k: float = 0.1) -> Series:
    """The same as cheap sensors see it: noise, 1/16 K, spikes, gaps short and long, door dips."""
    count = len(series.air_c)
    air = series.air_c.copy()
    for start in rng.integers(0, count - 3, count // 300):  # a door, for ten minutes
        air[start : start + 2] -= rng.uniform(1.0, 4.0)
    air += rng.normal(0.0, noise_k, count)
    outdoor = series.outdoor_c + rng.normal(0.0, noise_k, count)
    spikes = rng.integers(0, count, count // 400)
    air[spikes] += rng.choice([-15.0, 15.0], len(spikes))
    air, outdoor = np.round(air * 16) / 16, np.round(outdoor * 16) / 16
    air[rng.random(count) < 0.01] = np.nan
    for start in rng.integers(0, count - 100, max(1, count // 3000)):  # hours without a reading
        air[start : start + 40] = np.nan
        outdoor[start : start + 40] = np.nan
    return replace(series, air_c=air, outdoor_c=outdoor)


@pytest.fixture(scope="session")
def set_a() -> TwoNodes:
    """R2, set A: slab and room closely coupled."""
    return TwoNodes()


@pytest.fixture(scope="session")
def set_b() -> TwoNodes:
    """R2, set B: loosely coupled, well insulated."""
    return TwoNodes(slab_room_w_k=150.0, room_out_w_k=60.0)


@pytest.fixture(scope="session")
def first_order_series() -> Callable[..., Series]:
    """Weeks of a first-order room under a thermostat, as cheap sensors see it or clean."""

    def make(truth: FirstOrder, *, days: int, seed: int, clean: bool = False) -> Series:
        rng = np.random.default_rng(seed)
        outdoor, sun = weather(days, rng)
        air, heat = first_order_air(truth, outdoor=outdoor, sun=sun)
        series = Series(0.0, STEP_S, air, np.full(len(air), np.nan), outdoor, heat, sun)
        return series if clean else spoiled(series, rng)

    return make


@pytest.fixture(scope="session")
def two_node_series() -> Callable[..., Series]:
    """Weeks of a two-node room under a thermostat, as cheap sensors see it, no sun."""

    def make(
        plant: TwoNodes,
        *,
        days: int,
        seed: int,
        sessions_on: tuple[int, ...] = THREE_A_WEEK,
        mean_c: float = 1.0,
    ) -> Series:
        rng = np.random.default_rng(seed)
        outdoor, _ = weather(days, rng, mean_c)
        slab, air, heat = two_node_air(plant, outdoor=outdoor, sessions_on=sessions_on)
        series = Series(0.0, STEP_S, air, slab, outdoor, heat, np.full(len(air), np.nan))
        return spoiled(series, rng)

    return make
