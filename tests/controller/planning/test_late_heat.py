"""How long before a session a surprise comes too late, and what the heat in that time adds."""

from __future__ import annotations

import numpy as np
import pytest

from controller.planning.late_heat import ASTRAY, FEEDBACK_S, late_heat
from models.heated_room import Room, SupplyLimit

HOUR_S = 3600.0
FULL_W = 1000.0
COUNT, BORDER = 24, 20


def _tank(**changed):
    """A store without losses: a kelvin for every hour of full heat."""
    return Room(
        a=np.array([[1.0]]),
        b_heat=np.array([1.0 / FULL_W]),
        disturbance_k=np.zeros((COUNT, 1)),
        start_c=np.array([10.0]),
        air_row=np.array([1.0]),
        lower_c=np.full(COUNT + 1, -np.inf),
        shortfall_price_per_k_h=1.0,
        heat_max_w=FULL_W,
        **changed,
    )


def _late(share, hours, room=None):
    """What comes too late with the last hours before the session at a share of full heat."""
    heat_w = np.zeros(COUNT)
    heat_w[BORDER - hours : BORDER] = share * FULL_W
    return late_heat(room or _tank(), heat_w, BORDER, step_s=HOUR_S)


def test_at_full_power_all_of_the_preheat_comes_too_late():
    """Eight hours at full power: only in the ninth before can half a kelvin be added."""
    late = _late(1.0, 8)
    assert late.span_s == 9 * HOUR_S
    assert late.rise_k == pytest.approx(8.0)
    assert late.astray_k == pytest.approx(ASTRAY * 8.0)


def test_a_heater_with_power_to_spare_makes_good_at_once():
    """At half power an hour of the other half is half a kelvin: sooner than it is felt."""
    late = _late(0.5, 8)
    assert late.span_s == FEEDBACK_S
    assert late.rise_k == pytest.approx(1.0)


def test_throttled_by_its_supply_limit_a_heater_is_at_full_power_too():
    """300 W/K and 11.5 °C of supply leave 450 W over a floor at 10 °C, less over a warmer one."""
    limit = SupplyLimit(np.array([1.0]), 300.0, 11.5)
    free, throttled = _late(0.45, 8), _late(0.45, 8, _tank(supply=limit))
    assert free.span_s == FEEDBACK_S
    assert throttled.span_s == 10 * HOUR_S


def test_nothing_is_too_late_for_longer_than_there_is():
    """Full power from now on to the session: the span ends at the present."""
    assert _late(1.0, BORDER).span_s == BORDER * HOUR_S


def test_without_heat_the_rise_is_nothing():
    """Nothing to lead astray."""
    assert _late(0.0, 0).rise_k == 0.0
