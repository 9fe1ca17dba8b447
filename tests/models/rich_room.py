"""A workshop with six masses, measured by cheap sensors and held by a thermostat.

Richer than any model that is fitted to it: two layers of slab with the sensor in the lower one,
soil beneath, air, contents with the inner skin of the walls, and heavy walls; sun on floor and
skin; people and machines that nobody measures.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.linalg import expm

from models.series import Series
from tests.models.conftest import DAY_S, STEP_S, spoiled, weather

TUBES, TOP, SOIL, AIR, SKIN, WALL = range(6)
FULL_W = 8000.0
CAPACITY_J_K = np.array([11e6, 7e6, 60e6, 0.6e6, 3e6, 12e6])
BETWEEN_W_K = {
    (TUBES, TOP): 1600.0,
    (TUBES, SOIL): 36.0,
    (TOP, AIR): 180.0,
    (TOP, SKIN): 240.0,
    (AIR, SKIN): 560.0,
    (SKIN, WALL): 150.0,
}
OUTDOOR_W_K = {AIR: 80.0, WALL: 110.0}
DEEP_W_K, DEEP_C = 60.0, 9.0
SUN_M2 = {TOP: 1.2, SKIN: 1.0, WALL: 1.5}

DESCRIBED = {
    "slab_capacity_j_k": 18e6,
    "room_capacity_j_k": 3.5e6,
    "slab_room_w_k": 350.0,
    "room_loss_w_k": 145.0,
    "ground_loss_w_k": 25.0,
    "glazing_gain_m2": 2.5,
}
"""What a careful description says of it."""


def _step() -> tuple[np.ndarray, np.ndarray]:
    """Zero-order hold over a step: next state from the state, and from (P, Te, I, gain, 1)."""
    rate = np.zeros((11, 11))
    for (one, other), conductance in BETWEEN_W_K.items():
        pair = np.ix_([one, other], [one, other])
        rate[pair] += conductance * np.array([[-1.0, 1.0], [1.0, -1.0]])
    for node, conductance in OUTDOOR_W_K.items():
        rate[node, node] -= conductance
        rate[node, 7] += conductance
    rate[SOIL, SOIL] -= DEEP_W_K
    rate[SOIL, 10] += DEEP_W_K * DEEP_C
    rate[TUBES, 6] = rate[AIR, 9] = 1.0
    for node, area in SUN_M2.items():
        rate[node, 8] = area
    rate[:6] /= CAPACITY_J_K[:, np.newaxis]
    whole = expm(rate * STEP_S)
    return whole[:6, :6], whole[:6, 6:]


def workshop(
    *,
    days: int,
    seed: int,
    warm_c: float = 17.0,
    idle_c: float = 7.0,
    mean_c: float = 1.0,
    clean: bool = False,
) -> Series:
    """Some weeks with three sessions each, of which the first days are left out as run-in."""
    rng = np.random.default_rng(seed)
    run_in = round(10 * DAY_S / STEP_S)
    outdoor, sun = weather(days + 10, rng, mean_c)
    ad, bd = _step()
    state, power_w = np.array([11.0, 11.0, 10.0, 9.0, 9.0, 6.0]), 0.0
    states, heat = np.zeros((len(outdoor), 6)), np.zeros(len(outdoor))
    for i in range(len(outdoor)):
        day, hour = divmod(i * STEP_S / 3600.0, 24.0)
        session = int(day) % 7 in (1, 3, 5) and 8.0 <= hour < 22.0
        goal_c = (warm_c if session else idle_c) + (0.2 if power_w > 0 else -0.2)
        power_w = FULL_W if state[AIR] < goal_c else 0.0
        states[i], heat[i] = state, power_w
        gain_w = 100.0 + (400.0 if session and hour > 14.0 else 0.0)
        state = ad @ state + bd @ np.array([power_w, outdoor[i], sun[i], gain_w, 1.0])
    columns = (states[:, AIR], states[:, TUBES], outdoor, heat, sun)
    series = Series(0.0, STEP_S, *(column[run_in:] for column in columns))
    return series if clean else _cheap(series, rng)


def _cheap(series: Series, rng: np.random.Generator) -> Series:
    """Noise, 1/16 K, spikes, door dips and gaps in the air; noise, 1/16 K and gaps in the slab."""
    slab = series.slab_c + rng.normal(0.0, 0.1, len(series.slab_c))
    slab = np.round(slab * 16) / 16
    slab[rng.random(len(slab)) < 0.01] = np.nan
    first = int(rng.integers(0, len(slab) - 100))
    slab[first : first + 30] = np.nan
    return replace(spoiled(series, rng), slab_c=slab)


def part(series: Series, first_day: float, last_day: float) -> Series:
    """Some days of a series."""
    first, last = (math.floor(day * DAY_S / STEP_S) for day in (first_day, last_day))
    columns = ("air_c", "slab_c", "outdoor_c", "power_w", "sun_w_m2")
    return replace(series, **{name: getattr(series, name)[first:last] for name in columns})
