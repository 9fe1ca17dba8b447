"""Classical optimum-start methods against closed forms, published data and two-node rooms.

"R1", "R2": elementary linear differential equations, worked out with scipy 1.17.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, curve_fit

from models.day_one import Prior
from models.first_order import FirstOrder, lead_time_s
from models.intersection_start import Approach, Stretch, fit_approach, start_s
from models.rate_start import FIRST_RATE_K_H, WarmingRate
from models.regressed_start import (
    FORGETTING,
    TWO_PARAMETER,
    WEIGHTED,
    Form,
    Recursion,
    Setback,
    two_terms,
    unoccupied_weight,
    weighted_terms,
)
from models.response_fit import fit
from models.series import Series

HOUR_S = 3600.0
R1_HEATED = Approach(60.0, 200_000.0)  # 0.01 K/W, 20e6 J/K, 6 kW, 0 °C outdoors
O1_COOLING, O1_HEATING = Approach(2.0, 40 * HOUR_S), Approach(35.0, 20 * HOUR_S)


def read(curve: Approach, start_c: float, hours: float) -> Stretch:
    """Readings of a curve each quarter of an hour."""
    times = np.arange(0.0, hours * HOUR_S, 900.0)
    return Stretch(tuple(times), tuple(curve.after_c(start_c, t) for t in times))


def test_r1_is_met_by_the_heat_up_curve() -> None:
    """R1: 5.981143, 10.630482 and 24.293484 °C after 1, 6 and 24 h; 14.981309 h to 18 °C."""
    after = [R1_HEATED.after_c(5.0, hours * HOUR_S) for hours in (1, 6, 24)]
    assert after == pytest.approx([5.981143, 10.630482, 24.293484], abs=1e-6)
    assert R1_HEATED.time_s(from_c=5.0, to_c=18.0) / HOUR_S == pytest.approx(14.981309, abs=1e-6)


def test_r1_infeasible_target_is_never_and_no_nan() -> None:
    """R1 at -20 °C ends at 40 °C: 45 °C and 40 °C itself are never reached; 3 °C is there."""
    heated = Approach(40.0, 200_000.0)
    assert heated.time_s(from_c=5.0, to_c=45.0) == math.inf
    assert heated.time_s(from_c=5.0, to_c=40.0) == math.inf
    assert heated.time_s(from_c=5.0, to_c=3.0) == 0.0
    assert start_s(O1_COOLING, heated, air_c=18.0, target_c=45.0, until_s=36_000.0) == 0.0


def test_o1_constructed_crossing() -> None:
    """O1: 2 + 16 exp(-t/40 h) meets the way to 35 °C (20 h) 7.138321 h after 22:00, to 1 s.

    Worked out for the method of Park, NBSIR 83-2720, 1983: be at 18 °C at 08:00.
    """
    found_s = start_s(O1_COOLING, O1_HEATING, air_c=18.0, target_c=18.0, until_s=10 * HOUR_S)
    assert found_s == pytest.approx(7.138321 * HOUR_S, abs=1.0)
    assert O1_COOLING.after_c(18.0, found_s) == pytest.approx(15.384947, abs=1e-4)
    assert 10.0 - found_s / HOUR_S == pytest.approx(2.861679, abs=1.0 / HOUR_S)


@pytest.mark.parametrize(
    ("air_c", "target_c", "until_h"), [(16.0, 17.0, 30.0), (9.0, 18.0, 40.0), (20.0, 18.5, 14.0)]
)
def test_the_crossing_is_that_of_an_integrated_room(
    air_c: float, target_c: float, until_h: float
) -> None:
    """Cooled to the crossing and heated from there by Runge-Kutta, the room is on time."""
    wait_s = start_s(
        O1_COOLING, O1_HEATING, air_c=air_c, target_c=target_c, until_s=until_h * HOUR_S
    )
    assert 0.0 < wait_s < until_h * HOUR_S
    for curve, seconds in ((O1_COOLING, wait_s), (O1_HEATING, until_h * HOUR_S - wait_s)):
        air_c = solve_ivp(
            lambda _, t, c=curve: (c.goal_c - t) / c.time_constant_s, (0.0, seconds), [air_c],
            rtol=1e-9,
        ).y[0, -1]  # fmt: skip
    assert air_c == pytest.approx(target_c, abs=1e-5)


def test_late_already_and_warm_without_heat() -> None:
    """Too little time left: now. A room that warms by itself: not before the session."""
    assert start_s(O1_COOLING, O1_HEATING, air_c=5.0, target_c=18.0, until_s=HOUR_S) == 0.0
    sunny = Approach(25.0, 10 * HOUR_S)
    wait_s = start_s(sunny, O1_HEATING, air_c=17.0, target_c=18.0, until_s=40 * HOUR_S)
    assert wait_s == 40 * HOUR_S


def test_a_fit_is_that_of_scipy() -> None:
    """One noisy heat-up: goal and time constant are scipy's nonlinear least squares'."""
    rng = np.random.default_rng(2)
    clean = read(O1_HEATING, 8.0, 14.0)
    noisy = replace(clean, above_k=tuple(clean.above_k + rng.normal(0.0, 0.05, 56)))
    found = fit_approach([noisy])
    theirs, _ = curve_fit(
        lambda t, goal, change, hours: goal + change * np.exp(-t / (hours * HOUR_S)),
        np.array(noisy.times_s), noisy.above_k, p0=(30.0, -20.0, 15.0),
    )  # fmt: skip
    assert found is not None
    assert found.goal_c == pytest.approx(theirs[0], rel=1e-3)
    assert found.time_constant_s == pytest.approx(theirs[2] * HOUR_S, rel=1e-3)


def test_two_days_share_one_curve() -> None:
    """Previous and current day begin at different temperatures: one goal, one time constant."""
    found = fit_approach([read(O1_HEATING, 4.0, 9.0), read(O1_HEATING, 12.0, 5.0)])
    assert found is not None
    assert found.goal_c == pytest.approx(35.0, abs=1e-3)
    assert found.time_constant_s == pytest.approx(20 * HOUR_S, rel=1e-4)


def test_too_few_readings_are_no_curve() -> None:
    """Five readings are left out; with nothing else there is no fit."""
    short = read(O1_HEATING, 4.0, 1.25)
    assert fit_approach([short]) is None
    assert fit_approach([]) is None
    assert fit_approach([short, read(R1_HEATED, 5.0, 9.0)]) == fit_approach(
        [read(R1_HEATED, 5.0, 9.0)]
    )


def test_impossible_curves_are_refused() -> None:
    """No time constant, or a goal that is no number: a message."""
    for goal_c, seconds in ((20.0, 0.0), (math.nan, 1.0), (20.0, math.inf)):
        with pytest.raises(ValueError, match="finite goal"):
            Approach(goal_c, seconds)


@pytest.mark.parametrize(("start_c", "outdoor_c"), [(5.0, 0.0), (9.0, -8.0), (12.0, 6.0)])
def test_o7_heating_time_of_a_first_order_room_by_its_curve(
    start_c: float, outdoor_c: float
) -> None:
    """Learnt from two heat-ups, the third takes the time that is said, within 3 %.

    Perera and Skeie, Buildings 2016, 6(1), 10: heating time within 3 % in four measured cases.
    Here the room is simulated, of first order as the method assumes, and without noise: the
    figure shows that the method is built right, not that a measured room is met as closely.
    """
    above = Approach(60.0, 200_000.0)  # R1, above outdoors
    found = fit_approach([read(above, 7.0, 8.0), read(above, 11.0, 6.0)])
    assert found is not None
    said_s = found.time_s(from_c=start_c - outdoor_c, to_c=18.0 - outdoor_c)
    true_s = above.time_s(from_c=start_c - outdoor_c, to_c=18.0 - outdoor_c)
    assert said_s == pytest.approx(true_s, rel=0.03)


def test_o7_heating_time_of_a_first_order_room_by_its_learnt_response(
    first_order_series: Callable[..., Series],
) -> None:
    """The lead time of the learnt response is the room's own heating time, within 3 %.

    The same published figure, and the same scope: the room is simulated, of first order with dead
    time, without noise; what was described was 30 % off in time constant and gain.
    """
    truth = FirstOrder(45 * HOUR_S, 0.0045, 1.5 * HOUR_S, offset_k=1.0, sun_gain_k_m2_per_w=0.01)
    described = FirstOrder(58 * HOUR_S, 0.0058, 2.0 * HOUR_S, 1.0, 0.01)
    prior = Prior(described, (0.4, 0.4, 0.5), offset_sd_k=2.5, sun_gain_sd=0.01)
    found = fit(first_order_series(truth, days=28, seed=5, clean=True), prior)
    assert found.ok
    for start_c, outdoor_c in ((5.0, 0.0), (8.0, -8.0), (13.0, 6.0)):
        said_s, true_s = (
            lead_time_s(each, start_c=start_c, target_c=18.0, outdoor_c=outdoor_c, power_w=8000.0)
            for each in (found.model, truth)
        )
        assert said_s == pytest.approx(true_s, rel=0.03)


def test_o5_weight() -> None:
    """O5: 10 to 18 °C between unoccupied 10 and occupied 18 weigh 1 to 0.001.

    Seem, Armstrong and Hancock, ASHRAE Transactions 95(2), 1989 (from memory): 1000 to the power
    of minus the share of the way.
    """
    weights = [unoccupied_weight(Setback(c, 0.0, 10.0, 18.0)) for c in (10, 12, 14, 16, 18)]
    assert weights == pytest.approx([1.0, 0.177828, 0.0316228, 0.00562341, 0.001], rel=1e-5)
    assert unoccupied_weight(Setback(7.0, 0.0, 10.0, 18.0)) == 1.0
    assert unoccupied_weight(Setback(7.0, 0.0, 10.0, 10.0)) == 1.0


def test_o5_terms_at_both_ends() -> None:
    """At what a room is kept above only outdoors counts, at target only the room itself."""
    kept = weighted_terms(Setback(5.0, -3.0, 5.0, 18.0))
    assert kept == pytest.approx((1.0, 0.0, 0.0, -21.0))
    there = weighted_terms(Setback(18.0, -3.0, 5.0, 18.0))
    assert there == pytest.approx((1.0, 0.0, 0.0, -0.021))
    between = weighted_terms(Setback(12.0, -3.0, 5.0, 18.0))
    free = 1.0 - 1000.0 ** (-7.0 / 13.0)
    assert between == pytest.approx((1.0, -6.0 * free, 36.0 * free, -21.0 * (1.0 - free)))


@pytest.mark.parametrize("form", [WEIGHTED, TWO_PARAMETER])
@pytest.mark.parametrize(("air_c", "target_c"), [(5.0, 18.0), (10.0, 18.0), (10.0, 14.0)])
def test_before_anything_is_learnt_a_kelvin_takes_an_hour(
    form: Form, air_c: float, target_c: float
) -> None:
    """First values say 1 K/h at 0 °C outdoors, for any target, within a third."""
    terms = form.terms(Setback(air_c, 0.0, 5.0, target_c))
    assert form.recursion().predicted_h(terms) == pytest.approx(target_c - air_c, rel=0.34)


def test_recursion_is_weighted_least_squares() -> None:
    """Step by step: the same as all preheats at once, each older one worth 0.95 of the next.

    The first values enter as so many observations, forgotten at the same pace.
    """
    rng = np.random.default_rng(6)
    known, form = TWO_PARAMETER.recursion(), TWO_PARAMETER
    rows = [two_terms(Setback(air_c, 0.0, 5.0, 18.0)) for air_c in rng.uniform(5.0, 16.0, 8)]
    hours = [2.0 + 1.4 * row[1] + rng.normal() for row in rows]
    for row, value in zip(rows, hours, strict=True):
        known = known.learnt(row, value)
    weights = np.sqrt(FORGETTING ** np.arange(len(rows) - 1, -1, -1.0)) / 2.0  # 2 h of scatter
    first = np.sqrt(FORGETTING ** len(rows)) / np.array(form.deviations)
    matrix = np.vstack((np.diag(first), weights[:, None] * np.array(rows)))
    right = np.concatenate((first * form.first, weights * hours))
    assert known.coefficients == pytest.approx(np.linalg.lstsq(matrix, right, rcond=None)[0])
    assert np.array(known.covariance) == pytest.approx(np.linalg.inv(matrix.T @ matrix))


def test_what_is_never_seen_stays_as_uncertain_as_it_may_be() -> None:
    """A hundred alike preheats: forgetting widens no coefficient beyond its bound."""
    known = WEIGHTED.recursion()
    terms = WEIGHTED.terms(Setback(12.0, 0.0, 5.0, 18.0))
    for _ in range(100):
        known = known.learnt(terms, 9.0)
    variances = np.diag(np.array(known.covariance))
    assert np.all(variances <= np.array(known.widest) * (1.0 + 1e-9))
    assert np.all(np.linalg.eigvalsh(np.array(known.covariance)) > -1e-12)
    assert known.predicted_h(terms) == pytest.approx(9.0, abs=0.05)


@pytest.mark.parametrize("form", [WEIGHTED, TWO_PARAMETER])
def test_a_room_of_the_forms_own_kind_is_learnt(form: Form) -> None:
    """Forty preheats that follow the form, without noise: new ones are said within 3 %.

    The coefficients are 30 to 60 % off those assumed at first.
    """
    rng = np.random.default_rng(3)
    truth = Recursion.first([1.3, -1.4, 0.02, -0.9] if form is WEIGHTED else [1.3, 1.6],
                            form.deviations)  # fmt: skip
    known = form.recursion()
    for _ in range(40):
        terms = form.terms(Setback(rng.uniform(5.0, 16.0), rng.uniform(-10.0, 8.0), 5.0, 18.0))
        known = known.learnt(terms, truth.predicted_h(terms))
    for air_c, outdoor_c in ((5.0, -5.0), (8.0, 0.0), (13.0, 5.0)):
        terms = form.terms(Setback(air_c, outdoor_c, 5.0, 18.0))
        assert known.predicted_h(terms) == pytest.approx(truth.predicted_h(terms), rel=0.03)


def test_rate_halves_its_error_with_each_preheat() -> None:
    """From 1 K/h towards 0.5 K/h: 0.75, then 0.625; 10 K then take 16 h."""
    once = WarmingRate().learnt(rise_k=10.0, seconds=20 * HOUR_S)
    twice = once.learnt(rise_k=4.0, seconds=8 * HOUR_S)
    assert (FIRST_RATE_K_H, once.k_h, twice.k_h) == pytest.approx((1.0, 0.75, 0.625))
    assert twice.lead_time_s(air_c=8.0, target_c=18.0) == pytest.approx(16 * HOUR_S)
    assert twice.lead_time_s(air_c=19.0, target_c=18.0) == 0.0


def test_rate_stays_above_nothing_and_needs_time() -> None:
    """A preheat that did not warm leaves a rate; one that took no time is refused."""
    stuck = WarmingRate()
    for _ in range(60):
        stuck = stuck.learnt(rise_k=-1.0, seconds=HOUR_S)
    assert stuck.k_h == pytest.approx(0.05)
    with pytest.raises(ValueError, match="takes time"):
        stuck.learnt(rise_k=1.0, seconds=0.0)


def free_and_heated(plant: Any, idle_h: float, outdoor_c: float) -> tuple[np.ndarray, float]:
    """Slab and room after cooling from a session, and the hours of 8 kW to 18 °C from there."""

    def after(state: np.ndarray, hours: float, power_w: float) -> np.ndarray:
        ad, bd = plant.matrices(hours * HOUR_S)
        return np.asarray(ad @ state + bd @ np.array([power_w, outdoor_c, 9.0]))

    cold = after(np.array([25.0, 18.0]), idle_h, 0.0)
    hours = brentq(lambda h: after(cold, h, 8000.0)[1] - 18.0, 0.5, 60.0)
    return cold, float(hours)


def preheats(plant: Any, count: int, seed: int) -> list[tuple[Setback, float]]:
    """Preheats after half a day to five days of cooling, -8 to 8 °C outdoors."""
    rng, seen = np.random.default_rng(seed), []
    for _ in range(count):
        outdoor_c = rng.uniform(-8.0, 8.0)
        cold, hours = free_and_heated(plant, rng.uniform(12.0, 120.0), outdoor_c)
        seen.append((Setback(float(cold[1]), outdoor_c, 5.0, 18.0), hours))
    return seen


@pytest.mark.parametrize(("name", "spread_h"), [("set_a", 2.1), ("set_b", 0.65)])
@pytest.mark.parametrize("form", [WEIGHTED, TWO_PARAMETER])
def test_two_node_rooms_are_learnt_as_far_as_a_form_can(
    form: Form, name: str, spread_h: float, request: Any
) -> None:
    """R2 rooms: after twenty preheats, thirty more are said twice as closely as at first or better.

    Neither form is a two-node room. The limits leave a third above the larger rms error that was
    found: 1.2 h weighted and 1.6 h two-parameter in set A, 0.45 and 0.47 h in set B.
    """
    plant = request.getfixturevalue(name)
    known = form.recursion()
    for setback, hours in preheats(plant, 20, seed=1):
        known = known.learnt(form.terms(setback), hours)
    later = preheats(plant, 30, seed=2)
    errors = [
        [each.predicted_h(form.terms(setback)) - hours for setback, hours in later]
        for each in (form.recursion(), known)
    ]
    at_first, learnt = np.sqrt(np.mean(np.square(errors), axis=1))
    assert learnt < 0.5 * at_first
    assert learnt < spread_h
