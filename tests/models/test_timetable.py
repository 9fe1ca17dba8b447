"""The least heat against a linear programme, and on-times against their own rules."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from models.first_order import FirstOrder, lead_time_s
from models.response import air_path
from models.timetable import Timetable, least_heat, on_times

SLOT_S = 900.0
COUNT = 80


def random_case(seed: int, *, whole_slots: bool) -> dict[str, Any]:
    """A model, weather and two or three sessions, the first with time to preheat."""
    rng = np.random.default_rng(seed)
    dead_time_s = rng.integers(0, 9) * SLOT_S if whole_slots else rng.uniform(0.0, 8000.0)
    lower = np.full(COUNT + 1, 5.0)
    for start in rng.integers(25, 70, rng.integers(1, 4)):
        lower[start : start + rng.integers(1, 12)] = rng.uniform(8.0, 14.0)
    lower[: int(dead_time_s // SLOT_S) + 2] = -np.inf  # nothing can be done about these
    return {
        "model": FirstOrder(rng.uniform(4, 40) * 3600.0, rng.uniform(0.004, 0.01), dead_time_s),
        "start_c": rng.uniform(7.0, 12.0),
        "pending_w": rng.choice([0.0, 8000.0], 12),
        "outdoor_c": rng.uniform(-8.0, 6.0) + rng.normal(0.0, 1.0, COUNT),
        "sun_w_m2": rng.uniform(0.0, 300.0, COUNT),
        "lower_c": lower,
        "power_w": 8000.0,
        "slot_s": SLOT_S,
    }


def air_by_arrival(case: dict[str, Any]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Air without heat, (n + 1); air by one watt acting in each slot, (n + 1, n); time it acts.

    Written from the solution of the equation, apart from the code under test.
    """
    model: FirstOrder = case["model"]
    free = air_path(heat_w=np.zeros(COUNT), **_without_limits(case))
    acts_s = np.array(
        [np.clip((k + 1) * SLOT_S - model.dead_time_s, 0.0, SLOT_S) for k in range(COUNT)]
    )
    effect = np.zeros((COUNT + 1, COUNT))
    for k in range(COUNT):
        at_end = model.gain_k_per_w * (1.0 - np.exp(-acts_s[k] / model.time_constant_s))
        later = np.arange(COUNT - k) * SLOT_S
        effect[k + 1 :, k] = at_end * np.exp(-later / model.time_constant_s)
    return free, effect, acts_s


def _without_limits(case: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in case.items() if name not in ("lower_c", "power_w")}


def least_energy_j(case: dict[str, Any]) -> float | None:
    """Least heat by linear programme (scipy HiGHS); None where no heat is enough."""
    free, effect, acts_s = air_by_arrival(case)
    lower = np.asarray(case["lower_c"])
    bound = np.isfinite(lower)
    found = linprog(
        acts_s,
        A_ub=-effect[bound],
        b_ub=(free - lower)[bound],
        bounds=[(0.0, case["power_w"])] * COUNT,
        method="highs",
    )
    return float(found.fun) if found.status == 0 else None


def energy_j(table: Timetable) -> float:
    """All heat of a timetable."""
    return float(table.heat_w.sum() * SLOT_S)


@pytest.mark.parametrize("whole_slots", [True, False])
def test_least_heat_is_the_optimum_of_the_linear_programme(whole_slots: bool) -> None:
    """Same energy as HiGHS within its tolerance, over random cases; infeasible where it says so."""
    feasible = 0
    for seed in range(60):
        case = random_case(seed, whole_slots=whole_slots)
        optimum_j = least_energy_j(case)
        table = least_heat(**case)
        if optimum_j is None:
            assert table.shortfall_k.max() > 0, seed
            continue
        feasible += 1
        assert table.shortfall_k.max() == 0, seed
        # HiGHS meets rows to 1e-7 K, worth some 1e-7 of the heat; 1 J where there is none
        assert energy_j(table) == pytest.approx(optimum_j, rel=1e-6, abs=1.0), seed
    assert feasible >= 30


def test_heat_is_within_bounds_and_never_late() -> None:
    """No slot above full power or below none, and none after the last that can still act."""
    for seed in range(30):
        case = random_case(seed, whole_slots=False)
        table = least_heat(**case)
        assert table.heat_w.min() >= 0.0
        assert table.heat_w.max() <= 8000.0 * (1 + 1e-12)
        last = int(np.flatnonzero(np.isfinite(np.asarray(case["lower_c"])))[-1])
        dead_s = case["model"].dead_time_s
        too_late = int(np.ceil(last - dead_s / SLOT_S))
        assert table.heat_w[max(0, too_late) :].sum() == 0.0


def test_air_of_the_timetable_is_that_of_its_heat() -> None:
    """With whole slots of delay the air is exactly what the heat makes; else within the bound.

    The bound is that of the notes: heat begun within a slot against its mean over the slot.
    """
    for seed in range(30):
        for whole_slots in (True, False):
            case = random_case(seed, whole_slots=whole_slots)
            table = least_heat(**case)
            again = air_path(heat_w=table.heat_w, **_without_limits(case))
            model: FirstOrder = case["model"]
            part = model.gain_k_per_w * 8000.0 * SLOT_S / (4.0 * model.time_constant_s)
            assert table.air_c == pytest.approx(again, abs=1e-9 if whole_slots else part + 1e-9)


def test_out_of_reach_means_full_heat_from_the_start() -> None:
    """A target too high: the heater runs all the time it can, and the shortfall is what is left."""
    model = FirstOrder(40 * 3600.0, 0.004, 1800.0)
    lower = np.full(COUNT + 1, -np.inf)
    lower[60] = 30.0
    table = least_heat(
        model,
        start_c=8.0,
        pending_w=[],
        outdoor_c=0.0,
        sun_w_m2=0.0,
        lower_c=lower,
        power_w=8000.0,
        slot_s=SLOT_S,
    )
    assert list(table.heat_w[:58]) == [8000.0] * 58
    assert table.heat_w[58:].sum() == 0.0
    assert table.shortfall_k[60] == pytest.approx(30.0 - table.air_c[60])
    assert np.count_nonzero(table.shortfall_k) == 1


def test_preheat_begins_one_lead_time_before_the_session() -> None:
    """Heat for one later border equals the closed-form lead time at full power."""
    model = FirstOrder(40 * 3600.0, 0.008, 5000.0)
    lower = np.full(COUNT + 1, -np.inf)
    lower[70] = 14.0
    table = least_heat(
        model,
        start_c=8.0,
        pending_w=[],
        outdoor_c=8.0,  # no loss while it waits, so that the start does not move the beginning
        sun_w_m2=0.0,
        lower_c=lower,
        power_w=8000.0,
        slot_s=SLOT_S,
    )
    lead_s = lead_time_s(model, start_c=8.0, target_c=14.0, outdoor_c=8.0, power_w=8000.0)
    # the first slot is heated in part over its whole length: second order in slot / tau
    heated_s = energy_j(table) / 8000.0
    assert heated_s == pytest.approx(lead_s - model.dead_time_s, rel=1e-3)


def test_heat_stops_before_the_session_ends() -> None:
    """What arrives after the end is not asked for: the last dead time of a session has no heat."""
    model = FirstOrder(20 * 3600.0, 0.008, 2 * 3600.0)
    lower = np.full(COUNT + 1, -np.inf)
    lower[40:61] = 15.0
    table = least_heat(
        model,
        start_c=12.0,
        pending_w=[],
        outdoor_c=0.0,
        sun_w_m2=0.0,
        lower_c=lower,
        power_w=8000.0,
        slot_s=SLOT_S,
    )
    assert table.shortfall_k.max() == 0.0
    assert table.heat_w[51] > 0.0
    assert table.heat_w[52:].sum() == 0.0


def test_power_may_change_from_slot_to_slot() -> None:
    """A heater that must rest for two slots is not asked for heat in them."""
    power = np.full(COUNT, 8000.0)
    power[40:42] = 0.0
    lower = np.full(COUNT + 1, -np.inf)
    lower[60] = 14.0
    table = least_heat(
        FirstOrder(40 * 3600.0, 0.008, 3600.0),
        start_c=8.0,
        pending_w=[],
        outdoor_c=0.0,
        sun_w_m2=0.0,
        lower_c=lower,
        power_w=power,
        slot_s=SLOT_S,
    )
    assert table.shortfall_k.max() == 0.0
    assert table.heat_w[39] > 0.0
    assert table.heat_w[40:42].sum() == 0.0


def test_unknown_weather_is_refused() -> None:
    """A gap in the forecast gives an error, not a timetable of NaN."""
    case = random_case(1, whole_slots=True)
    with pytest.raises(ValueError, match="finite"):
        least_heat(**(case | {"outdoor_c": np.full(COUNT, np.nan)}))


duties = st.lists(
    st.one_of(st.just(0.0), st.just(1.0), st.floats(0.0, 1.0)), min_size=1, max_size=60
)
minutes = st.sampled_from([300.0, 600.0, 1800.0])


@settings(max_examples=300, deadline=None)
@given(duties, minutes, minutes, st.booleans(), st.floats(0.0, 4000.0))
def test_on_times_keep_the_minimum_times(
    duty: list[float], min_on_s: float, min_off_s: float, heating: bool, since_s: float
) -> None:
    """Every time on and every pause is long enough, the ones that began before now included."""
    end_s = len(duty) * SLOT_S
    times = on_times(
        np.array(duty),
        slot_s=SLOT_S,
        min_on_s=min_on_s,
        min_off_s=min_off_s,
        heating=heating,
        since_s=since_s,
    )
    slack_s = 1e-6  # sums of floating point seconds
    stopped_s = 0.0 if heating else -since_s
    for begin, stop in times:
        goes_on = heating and begin == 0.0
        assert 0.0 <= begin < stop <= end_s + slack_s
        assert goes_on or begin - stopped_s >= min_off_s - slack_s
        began_s = -since_s if goes_on else begin
        assert stop - began_s >= min_on_s - slack_s or stop >= end_s - slack_s
        stopped_s = stop
    if heating and since_s < min_on_s:
        assert times[0][0] == 0.0


@settings(max_examples=300, deadline=None)
@given(duties, minutes, minutes)
def test_on_times_keep_the_heat(duty: list[float], min_on_s: float, min_off_s: float) -> None:
    """At no slot border has the heater given much more or less than was asked for so far."""
    times = on_times(
        np.array(duty),
        slot_s=SLOT_S,
        min_on_s=min_on_s,
        min_off_s=min_off_s,
        heating=False,
        since_s=1e6,
    )
    asked_s = np.cumsum(duty) * SLOT_S
    borders = np.arange(1, len(duty) + 1) * SLOT_S
    given_s = np.array(
        [sum(max(0.0, min(stop, border) - begin) for begin, stop in times) for border in borders]
    )
    assert np.abs(given_s - asked_s).max() <= SLOT_S + min_on_s + min_off_s


@pytest.mark.parametrize("share", [0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95])
@pytest.mark.parametrize(
    ("min_on_s", "min_off_s"), [(300.0, 300.0), (1800.0, 300.0), (600.0, 1800.0)]
)
def test_a_steady_duty_is_kept_for_days(share: float, min_on_s: float, min_off_s: float) -> None:
    """What the minimum times force too much or too little is made good: no drift in two days."""
    times = on_times(
        np.full(192, share),
        slot_s=SLOT_S,
        min_on_s=min_on_s,
        min_off_s=min_off_s,
        heating=False,
        since_s=1e6,
    )
    given_s = sum(stop - begin for begin, stop in times)
    assert given_s == pytest.approx(192 * SLOT_S * share, abs=min_on_s + min_off_s)


def test_full_slots_make_one_block() -> None:
    """A preheat is one time on, begun within its first slot and joined to the next."""
    duty = np.array([0.0, 0.4, 1.0, 1.0, 0.5, 0.0])
    times = on_times(
        duty, slot_s=SLOT_S, min_on_s=300.0, min_off_s=300.0, heating=False, since_s=1e6
    )
    assert np.array(times) == pytest.approx(np.array([[900.0 + 540.0, 3600.0 + 450.0]]))


def test_a_small_duty_becomes_fewer_longer_times() -> None:
    """A tenth of each slot is less than the shortest time on: it is saved up."""
    times = on_times(
        np.full(40, 0.1), slot_s=SLOT_S, min_on_s=300.0, min_off_s=300.0, heating=False, since_s=1e6
    )
    assert all(stop - begin >= 300.0 - 1e-6 for begin, stop in times)
    assert sum(stop - begin for begin, stop in times) == pytest.approx(40 * 90.0, abs=300.0)


def test_a_running_heater_goes_on_without_a_break() -> None:
    """Where heat is wanted now and the heater is on, it does not switch off first."""
    times = on_times(
        np.array([0.6, 0.0]),
        slot_s=SLOT_S,
        min_on_s=300.0,
        min_off_s=300.0,
        heating=True,
        since_s=4000.0,
    )
    assert np.array(times) == pytest.approx(np.array([[0.0, 540.0]]))


@pytest.mark.parametrize(("worth_s", "on"), [(None, []), (60.0, [(0.0, 1200.0)])])
def test_little_heat_is_left_out_unless_it_is_worth_a_pulse(
    worth_s: float | None, on: list[tuple[float, float]]
) -> None:
    """Nine minutes of heat with pulses of 20: none, or one where it is said to matter."""
    times = on_times(
        np.array([0.6, 0.0, 0.0]),
        slot_s=SLOT_S,
        min_on_s=1200.0,
        min_off_s=1200.0,
        heating=False,
        since_s=1e6,
        worth_s=worth_s,
    )
    assert times == on
