"""The fit: recovery of known parameters, honest errors, and rooms with more to them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.backtest import errors_by_horizon, persistence_errors
from models.day_one import Prior, first_order_prior
from models.first_order import FirstOrder
from models.response_fit import Fit, fit, sample
from models.series import Series

Make = Callable[..., Series]
PRIOR = first_order_prior(
    loss_w_k=180.0,
    slab_capacity_j_k=16e6,
    room_capacity_j_k=2.5e6,
    slab_to_room_w_k=300.0,
    glazing_gain_m2=2.0,
)
TRUTH = FirstOrder(36 * 3600.0, 0.0062, 3600.0, 1.5, 0.008)


def part(series: Series, first: int, last: int) -> Series:
    """Samples first to last of a series."""
    columns = ("air_c", "slab_c", "outdoor_c", "power_w", "sun_w_m2")
    return replace(series, **{name: getattr(series, name)[first:last] for name in columns})


def rms(errors: np.ndarray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(errors**2)))


def test_r4_round_trip_on_r1() -> None:
    """R4 on R1's parameters: clean zero-order-hold data give time constant and gain within 1 %.

    The prior is a good third off in both. R1 has no dead time, which a log scale does not
    reach: the prior has a minute of it, and the fit must go towards its least.
    """
    tau_s, gain, step_s = 0.01 * 20e6, 0.01, 300.0
    decay, count = math.exp(-step_s / tau_s), 20 * 288
    power = 6000.0 * (np.arange(count) // 100 % 3 == 0)
    air = np.full(count, 5.0)
    for k in range(count - 1):
        air[k + 1] = decay * air[k] + (1.0 - decay) * gain * power[k]
    unknown = np.full(count, np.nan)
    series = Series(0.0, step_s, air, unknown, np.zeros(count), power, unknown)
    far_off = replace(PRIOR, mean=FirstOrder(tau_s * 1.4, gain * 1.35, 60.0, 0.0, 0.01))
    found = fit(series, far_off)
    assert found.ok
    assert found.model.time_constant_s == pytest.approx(tau_s, rel=0.01)
    assert found.model.gain_k_per_w == pytest.approx(gain, rel=0.01)
    assert found.model.dead_time_s < 30.0
    assert found.model.offset_k == pytest.approx(0.0, abs=0.1)


def deviations(found: Fit, truth: FirstOrder) -> list[float]:
    """How many standard errors each parameter is off."""
    model, sd = found.model, found.sd
    return [
        math.log(model.time_constant_s / truth.time_constant_s)
        / (sd.time_constant_s / model.time_constant_s),
        math.log(model.gain_k_per_w / truth.gain_k_per_w) / (sd.gain_k_per_w / model.gain_k_per_w),
        math.log(model.dead_time_s / truth.dead_time_s) / (sd.dead_time_s / model.dead_time_s),
        (model.offset_k - truth.offset_k) / sd.offset_k,
        (model.sun_gain_k_m2_per_w - truth.sun_gain_k_m2_per_w) / sd.sun_gain_k_m2_per_w,
    ]


def test_errors_are_about_as_large_as_said(first_order_series: Make) -> None:
    """Over random truths, cheap sensors, gaps, spikes, door dips and a thermostat.

    Of normal errors 68 % lie within one standard error and 95 % within two. The fit counts
    overlapping windows carefully, so more is to be expected; far fewer would be a false claim,
    and 12 truths of 5 parameters each may miss the 95 % by some.
    """
    found: list[list[float]] = []
    for seed, truth in enumerate(sample(PRIOR, 12, seed=11)):
        learnt = fit(first_order_series(truth, days=30, seed=seed), PRIOR)
        assert learnt.ok, learnt.why
        found.append(deviations(learnt, truth))
    off = np.abs(np.array(found))
    assert np.mean(off < 1) >= 0.60
    assert np.mean(off < 2) >= 0.88
    assert np.mean(off) > 0.15  # not so wide that it says nothing


def test_cheap_sensors_still_give_the_parameters(first_order_series: Make) -> None:
    """0.1 K of noise, 1/16 K steps, spikes, gaps and door dips: a few per cent after 30 days."""
    found = fit(first_order_series(TRUTH, days=30, seed=5), PRIOR)
    assert found.model.time_constant_s == pytest.approx(TRUTH.time_constant_s, rel=0.04)
    assert found.model.gain_k_per_w == pytest.approx(TRUTH.gain_k_per_w, rel=0.04)
    assert found.model.dead_time_s == pytest.approx(TRUTH.dead_time_s, rel=0.15)
    assert found.model.sun_gain_k_m2_per_w == pytest.approx(TRUTH.sun_gain_k_m2_per_w, rel=0.2)


def test_little_history_stays_near_the_prior_and_says_so(first_order_series: Make) -> None:
    """Three days narrow the prior less than thirty; one day is not fitted at all."""
    series = first_order_series(TRUTH, days=30, seed=6)
    month, days = fit(series, PRIOR), fit(part(series, 0, 3 * 288), PRIOR)
    prior_sd = PRIOR.belief().standard_errors()
    assert days.ok
    assert month.sd.time_constant_s < 0.5 * days.sd.time_constant_s
    assert days.sd.time_constant_s < prior_sd.time_constant_s
    day = fit(part(series, 0, 288), PRIOR)
    assert not day.ok
    assert day.model == PRIOR.mean
    assert "24 h needed" in day.why


def test_a_room_never_heated_teaches_nothing_of_the_pace(first_order_series: Make) -> None:
    """Without heat the rate of warming stays as uncertain as the prior has it, never certain."""
    series = first_order_series(TRUTH, days=10, seed=7)
    cold = replace(series, air_c=series.outdoor_c + 1.0, power_w=np.zeros_like(series.power_w))
    found = fit(cold, PRIOR)
    rate = [m.gain_k_per_w / m.time_constant_s for m in sample(found, 2000, seed=1)]
    assert not found.ok or np.std(np.log(rate)) > 0.2


@pytest.mark.parametrize("spoil", ["all_unknown", "no_outdoor", "empty"])
def test_nothing_known_is_no_fit(first_order_series: Make, spoil: str) -> None:
    """Without air or outdoor air there is the prior and a reason, not an exception."""
    series = first_order_series(TRUTH, days=5, seed=8)
    unknown = np.full(len(series.air_c), np.nan)
    spoilt = {
        "all_unknown": replace(series, air_c=unknown, outdoor_c=unknown, power_w=unknown),
        "no_outdoor": replace(series, outdoor_c=unknown),
        "empty": part(series, 0, 0),
    }[spoil]
    found = fit(spoilt, PRIOR)
    assert not found.ok
    assert found.model == PRIOR.mean
    assert "0 h of unbroken history" in found.why


def test_backward_physics_is_refused(first_order_series: Make) -> None:
    """A sensor that falls when the room warms cannot make a negative response."""
    series = first_order_series(TRUTH, days=20, seed=9, clean=True)
    found = fit(replace(series, air_c=-2.0 * series.air_c), PRIOR)
    assert not found.ok
    assert found.model == PRIOR.mean
    assert "positive and stable" in found.why


def test_an_open_gate_does_not_enter(first_order_series: Make) -> None:
    """Five afternoons with the gate open for two hours neither move the fit nor blur it.

    Without leaving their windows out, the standard error would be some six times as large.
    """
    series = first_order_series(TRUTH, days=30, seed=10)
    air = series.air_c.copy()
    for day in (4, 9, 15, 20, 26):
        air[day * 288 + 168 : day * 288 + 192] -= 6.0
    shut, opened = fit(series, PRIOR), fit(replace(series, air_c=air), PRIOR)
    moved = math.log(opened.model.time_constant_s / shut.model.time_constant_s)
    assert abs(moved) < 2 * shut.sd.time_constant_s / shut.model.time_constant_s
    assert opened.sd.time_constant_s < 2 * shut.sd.time_constant_s
    assert opened.model.gain_k_per_w == pytest.approx(TRUTH.gain_k_per_w, rel=0.05)


def test_without_a_sun_sensor_the_offset_takes_the_sun(first_order_series: Make) -> None:
    """No irradiance: sun gain 0 and certain, so that no forecast counts the sun twice."""
    series = first_order_series(TRUTH, days=30, seed=12)
    dark = fit(replace(series, sun_w_m2=np.full(len(series.air_c), np.nan)), PRIOR)
    assert dark.model.sun_gain_k_m2_per_w == 0.0
    assert dark.sd.sun_gain_k_m2_per_w == 0.0
    mean_effect_k = TRUTH.sun_gain_k_m2_per_w * float(np.mean(series.sun_w_m2))
    assert dark.model.offset_k == pytest.approx(TRUTH.offset_k + mean_effect_k, abs=0.6)


def test_the_fit_is_deterministic(first_order_series: Make) -> None:
    """The same history gives the same parameters, to the last digit."""
    series = first_order_series(TRUTH, days=10, seed=13)
    assert fit(series, PRIOR) == fit(series, PRIOR)


@pytest.mark.parametrize(("name", "limit_k"), [("set_a", 1.1), ("set_b", 1.0)])
def test_two_node_room_hours_ahead(
    request: pytest.FixtureRequest, two_node_series: Make, name: str, limit_k: float
) -> None:
    """R2 rooms: 6 h ahead on held-back weeks, bounded, and far better than persistence.

    A first-order response cannot do better than about 0.8 K rms here whatever its parameters
    (found by searching them for the least error on the same data); the limits leave a quarter
    more for what the weather of the seed does.
    """
    plant: Any = request.getfixturevalue(name)
    series = two_node_series(plant, days=45, seed=5)
    learnt = fit(part(series, 0, 30 * 288), PRIOR)
    later = part(series, 30 * 288, 45 * 288)
    ahead = errors_by_horizon(later, learnt.model, [6, 24])
    still = persistence_errors(later, [6, 24], reach_back_s=learnt.model.dead_time_s)
    assert learnt.ok, learnt.why
    assert rms(ahead[6]) < limit_k
    assert rms(ahead[6]) < 0.5 * rms(still[6])
    assert rms(ahead[24]) < 0.5 * rms(still[24])


def test_learning_beats_the_description_where_that_is_wrong(
    set_b: Any, two_node_series: Make
) -> None:
    """Set B loses a third of what the description says: history must halve the error."""
    series = two_node_series(set_b, days=45, seed=6)
    learnt = fit(part(series, 0, 30 * 288), PRIOR)
    later = part(series, 30 * 288, 45 * 288)
    by_history = rms(errors_by_horizon(later, learnt.model, [12])[12])
    by_description = rms(errors_by_horizon(later, PRIOR.mean, [12])[12])
    assert by_history < 0.5 * by_description


def test_a_room_heated_once_a_week_is_learnt_too(set_b: Any, two_node_series: Make) -> None:
    """Few windows hold a session; they must not be taken for outliers among the idle ones."""
    series = two_node_series(set_b, days=56, seed=7, sessions_on=(5,), mean_c=7.0)
    learnt = fit(part(series, 0, 42 * 288), PRIOR)
    later = part(series, 42 * 288, 56 * 288)
    ahead = errors_by_horizon(later, learnt.model, [12])[12]
    still = persistence_errors(later, [12], reach_back_s=learnt.model.dead_time_s)[12]
    # the share of the heat that reaches the room, over all loss of the room to air and ground
    steady_gain = (150.0 / 190.0) / (60.0 + 150.0 * 40.0 / 190.0)
    off = math.log(learnt.model.gain_k_per_w / steady_gain)
    assert learnt.ok, learnt.why
    assert abs(off) < 3 * learnt.sd.gain_k_per_w / learnt.model.gain_k_per_w
    assert rms(ahead) < 0.6 * rms(still)


def test_draws_spread_as_the_fit_says(first_order_series: Make) -> None:
    """Draws from a fit and from a prior are positive and scatter by their standard errors."""
    found = fit(first_order_series(TRUTH, days=20, seed=14), PRIOR)
    known: tuple[Fit | Prior, ...] = (found, PRIOR)
    for each in known:
        drawn = sample(each, 2000, seed=3)
        belief = each.belief() if isinstance(each, Prior) else each.belief
        sd = belief.standard_errors()
        scatter = np.std(np.log([model.time_constant_s for model in drawn]))
        assert scatter == pytest.approx(sd.time_constant_s / belief.model.time_constant_s, rel=0.1)
        assert min(model.gain_k_per_w for model in drawn) > 0
