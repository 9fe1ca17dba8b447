"""Paths over slots: the same solution as the scalar one, and as a numerical solver's."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.first_order import FirstOrder, advance_c
from models.response import acting_w, air_path, split_dead_time

SLOT_S = 900.0


@pytest.mark.parametrize("dead_time_s", [0.0, 300.0, 899.0, 900.0, 4000.0, 7200.0])
def test_path_solves_the_delayed_equation(dead_time_s: float) -> None:
    """Air at the slot borders equals a Runge-Kutta solution, whole and part slots of delay."""
    model = FirstOrder(6 * 3600.0, 0.006, dead_time_s, 1.5, 0.01)
    rng = np.random.default_rng(3)
    pending, heat = rng.uniform(0, 9000, 9), rng.uniform(0, 9000, 12)
    outdoor, sun = rng.uniform(-5, 5, 12), rng.uniform(0, 400, 12)
    line = np.concatenate((pending, heat))

    def slope(at_s: float, air: np.ndarray) -> np.ndarray:
        slot = min(11, int(at_s // SLOT_S))
        sent = line[math.floor((at_s - dead_time_s) / SLOT_S) + 9]
        goal = outdoor[slot] + 1.5 + 0.01 * sun[slot] + 0.006 * sent
        return np.asarray((goal - air) / model.time_constant_s)

    path = air_path(
        model,
        start_c=8.0,
        pending_w=pending,
        heat_w=heat,
        outdoor_c=outdoor,
        sun_w_m2=sun,
        slot_s=SLOT_S,
    )
    borders = np.arange(12) * SLOT_S
    solved = solve_ivp(slope, (0.0, borders[-1]), [8.0], t_eval=borders, max_step=5.0)
    # inputs jump within a step of 5 s: 54 K / 6 h * 5 s is about 0.01 K at worst
    assert path[:12] == pytest.approx(solved.y[0], abs=0.02)


def test_path_agrees_with_the_scalar_step() -> None:
    """Without dead time each slot is one exact zero-order-hold step."""
    model = FirstOrder(40 * 3600.0, 0.008, 0.0, 0.5, 0.02)
    heat, outdoor = np.array([0.0, 5000.0, 2500.0]), np.array([1.0, -2.0, 4.0])
    path = air_path(
        model,
        start_c=9.0,
        pending_w=[],
        heat_w=heat,
        outdoor_c=outdoor,
        sun_w_m2=100.0,
        slot_s=SLOT_S,
    )
    air_c = 9.0
    for k in range(3):
        air_c = advance_c(
            model,
            air_c,
            outdoor_c=outdoor[k],
            power_w=heat[k],
            seconds=SLOT_S,
            sun_w_m2=100.0,
        )
        assert path[k + 1] == pytest.approx(air_c, abs=1e-12)


def test_all_heat_arrives() -> None:
    """Heat put in equals heat stored and lost once all has arrived, with part slots of delay."""
    model = FirstOrder(30 * 3600.0, 0.01, 3333.0)
    heat = np.zeros(300)
    heat[5:9] = 8000.0
    air = air_path(
        model, start_c=0.0, pending_w=[], heat_w=heat, outdoor_c=0.0, sun_w_m2=0.0, slot_s=30.0
    )
    capacity_j_k, loss_w_k = model.time_constant_s / model.gain_k_per_w, 1.0 / model.gain_k_per_w
    lost_j = loss_w_k * np.sum(0.5 * (air[1:] + air[:-1])) * 30.0
    # trapezoid over slots of 30 s against 30 h: the curve's bend weighs less than 1e-4
    assert capacity_j_k * air[-1] + lost_j == pytest.approx(heat.sum() * 30.0, rel=1e-4)


def test_missing_pending_heat_counts_as_none() -> None:
    """A short record of past heat is the same as one filled up with zeros."""
    model = FirstOrder(30 * 3600.0, 0.01, 4000.0)
    heat = np.full(8, 3000.0)
    short = acting_w(model, heat_w=heat, pending_w=np.array([5000.0]), slot_s=SLOT_S)
    filled = acting_w(
        model, heat_w=heat, pending_w=np.array([0.0, 0.0, 0.0, 0.0, 5000.0]), slot_s=SLOT_S
    )
    assert short == pytest.approx(filled)
    assert short[0] == 0.0  # 4000 s ago there was no heat


def test_dead_time_of_whole_slots_has_no_rest() -> None:
    """Rounding must not turn 0.3 / 0.1 slots into 2 and a rest of nearly one."""
    assert split_dead_time(0.3, 0.1) == pytest.approx((3, 0.0), abs=1e-12)
    assert split_dead_time(1000.0, 900.0) == pytest.approx((1, 100.0))


@pytest.mark.parametrize("where", ["start_c", "heat_w", "outdoor_c"])
def test_unknown_inputs_are_refused(where: str) -> None:
    """A gap in an input gives an error, not a path of NaN."""
    inputs: dict[str, Any] = {
        "start_c": 8.0,
        "pending_w": [],
        "heat_w": [1.0, 2.0],
        "outdoor_c": [0.0, 0.0],
        "sun_w_m2": 0.0,
    }
    inputs[where] = math.nan if where == "start_c" else [1.0, math.nan]
    with pytest.raises(ValueError, match="finite"):
        air_path(FirstOrder(1e5, 0.01, 0.0), slot_s=SLOT_S, **inputs)
