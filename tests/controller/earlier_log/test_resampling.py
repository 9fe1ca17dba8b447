"""Rows of any step become samples five minutes apart, and no energy is lost on the way."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.earlier_log.resampling import GRID_S, held, straight


def test_hourly_temperatures_become_a_straight_line():
    """From 10 to 16 °C in an hour: half a kelvin every five minutes, both ends exact."""
    found = list(straight([0.0, 3600.0], [10.0, 16.0], reach_s=5400.0))
    assert [s.at_s for s in found] == [300.0 * k for k in range(13)]
    assert [s.value for s in found] == pytest.approx([10.0 + 0.5 * k for k in range(13)])


def test_rows_further_apart_than_the_reach_leave_a_gap():
    """Between 900 s and 4500 s nothing is known; around both rows something is."""
    found = list(straight([0.0, 900.0, 4500.0], [1.0, 2.0, 3.0], reach_s=900.0))
    assert [s.at_s for s in found] == [0.0, 300.0, 600.0, 900.0, 4500.0]


def test_quick_rows_become_their_mean():
    """Rows of 30 s: each sample is the mean of the ten around it."""
    times = [30.0 * k for k in range(100)]
    found = {
        s.at_s: s.value for s in straight(times, [float(k) for k in range(100)], reach_s=900.0)
    }
    # from 150 s to 420 s: rows 5 to 14
    assert found[300.0] == pytest.approx(9.5)


def test_power_holds_until_the_next_row():
    """6 kW from 10:00 to 10:20, then 3 kW; the last row holds for the usual step."""
    found = list(held([0.0, 1200.0], [6000.0, 3000.0], usual_s=1200.0, reach_s=1800.0))
    assert [s.value for s in found] == [6000.0] * 4 + [3000.0] * 4
    assert [s.at_s for s in found] == [300.0 * k for k in range(8)]


def test_power_before_a_gap_holds_for_the_usual_step():
    """Ten minutes of heat, then two hours of silence: not two hours of heat."""
    times, power = [0.0, 600.0, 8400.0, 9000.0], [0.0, 6000.0, 0.0, 0.0]
    found = list(held(times, power, usual_s=600.0, reach_s=900.0))
    assert sum(s.value for s in found) * GRID_S == pytest.approx(6000.0 * 600.0)
    assert not any(1200.0 <= s.at_s < 8400.0 for s in found)


@pytest.mark.parametrize(
    ("before_w", "after_w", "known"),
    [(6000.0, 6000.0, True), (0.0, 0.0, True), (6000.0, 0.0, False)],
)
def test_one_missing_row_of_power_is_no_gap_between_equals(before_w, after_w, known):
    """A heater that was on, or off, on both sides of a lost row was so meanwhile."""
    times, power = [0.0, 3600.0, 10800.0], [6000.0, before_w, after_w]
    found = [s for s in held(times, power, usual_s=3600.0, reach_s=5400.0)]
    lost = [s.value for s in found if 7200.0 <= s.at_s < 10800.0]
    assert lost == ([before_w] * 12 if known else [])


def test_two_missing_rows_of_power_are_a_gap():
    """Whatever the power was: for so long the heater may have done anything."""
    found = list(held([0.0, 10800.0], [0.0, 0.0], usual_s=3600.0, reach_s=5400.0))
    assert not any(3600.0 <= s.at_s < 10800.0 for s in found)


@given(
    steps_s=st.lists(st.integers(1, 3600), min_size=2, max_size=60),
    begin_s=st.integers(0, 299),
    seed=st.integers(0, 1000),
)
def test_energy_is_kept_whatever_the_steps(steps_s, begin_s, seed):
    """Within the grid, to rounding; the slots at both ends may be cut or filled up."""
    chance = random.Random(seed)
    times = [float(begin_s)]
    for step_s in steps_s:
        times.append(times[-1] + step_s)
    power = [chance.choice([0.0, 6000.0, 2500.0]) for _ in times]
    found = {s.at_s: s.value for s in held(times, power, usual_s=60.0, reach_s=3600.0)}
    first = math.ceil(times[0] / GRID_S) * GRID_S
    last = math.floor(times[-1] / GRID_S) * GRID_S
    inside = sum(v * GRID_S for at_s, v in found.items() if first <= at_s < last)
    expected = sum(
        power[k] * max(0.0, min(times[k + 1], last) - max(times[k], first))
        for k in range(len(times) - 1)
    )
    assert inside == pytest.approx(expected, rel=1e-9, abs=1e-6)


@given(
    steps_s=st.lists(st.integers(1, 7200), min_size=1, max_size=60), begin_s=st.integers(0, 10**9)
)
def test_samples_stand_on_the_grid_once_and_in_order(steps_s, begin_s):
    """Whatever the rows: ascending whole multiples of five minutes, near or between rows."""
    times = [float(begin_s)]
    for step_s in steps_s:
        times.append(times[-1] + step_s)
    values = [float(k) for k in range(len(times))]
    for found in (
        list(straight(times, values, reach_s=1800.0)),
        list(held(times, values, usual_s=600.0, reach_s=1800.0)),
    ):
        at = [s.at_s for s in found]
        assert at == sorted(set(at))
        assert all(a % GRID_S == 0.0 for a in at)
        assert all(times[0] - GRID_S < a <= times[-1] + 600.0 for a in at)
        assert all(0.0 <= s.value <= len(times) for s in found)
