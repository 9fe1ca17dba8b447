"""Learning from a simulated workshop's history: when it is taken, what it improves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.planning.describe import zone_prior
from controller.planning.history import STEP_S, Grid, zone_series
from controller.planning.learn import is_physical, learn
from controller.planning.network_parameters import network_of
from controller.planning.parameters import day_one_set, response_of, values_of
from controller.records.errands import LearnErrand
from controller.records.plan import ParameterSource
from controller.records.site import Role, Sensor
from models.backtest import errors_by_horizon
from tests.controller.planning.conftest import MONDAY_S


def _learnt(shop, sets=()):
    return learn(LearnErrand(shop.site, tuple(sets), shop.now_s), shop.source).learnt


def test_two_weeks_of_use_are_learnt_and_predict_better(workshop, heavy_room):
    """A room unlike its description: errors 12 h ahead on weeks never seen fall by a third."""
    shop = workshop(seed=3, room=heavy_room)
    shop.weeks_of_use(16)
    outcome = _learnt(shop)[0]
    assert outcome.replaces
    assert outcome.parameter_set.source is ParameterSource.HISTORY
    assert "better" in outcome.reason
    zone = shop.site.zones[0]
    since_s = shop.now_s
    shop.weeks_of_use(6)
    count = int((shop.now_s - since_s) / STEP_S)
    unseen = zone_series(shop.source, shop.site, zone, Grid(since_s, STEP_S, count))
    rms_k = [
        np.sqrt(np.mean(errors_by_horizon(unseen, response_of(one).model, (12,))[12] ** 2))
        for one in (outcome.parameter_set, day_one_set(shop.site, zone, now_s=shop.now_s))
    ]
    assert rms_k[0] < 0.67 * rms_k[1]


def test_the_first_day_gives_the_descriptions_set(workshop):
    """A day of history is too little: day-one values are handed out, to be stored."""
    shop = workshop(seed=4)
    shop.idle(24)
    outcome = _learnt(shop)[0]
    assert outcome.replaces
    assert outcome.parameter_set.source is ParameterSource.DESCRIPTION
    assert outcome.parameter_set.id == "bench-day-one"
    assert "needed" in outcome.reason


def test_an_unheated_history_teaches_nothing(workshop):
    """A week without any heat says nothing of the floor: the stored set is kept."""
    shop = workshop(seed=5)
    shop.idle(24 * 7)
    stored = day_one_set(shop.site, shop.site.zones[0], now_s=shop.now_s)
    outcome = _learnt(shop, (stored,))[0]
    assert not outcome.replaces
    assert outcome.parameter_set == stored
    assert "heat" in outcome.reason


def test_a_set_that_predicts_as_well_is_not_replaced(workshop):
    """Learning twice from the same history keeps the first outcome."""
    shop = workshop(seed=6)
    shop.weeks_of_use(12)
    first = _learnt(shop)[0]
    again = _learnt(shop, (first.parameter_set,))[0]
    assert not again.replaces
    assert again.parameter_set == first.parameter_set


def test_no_history_at_all_is_no_error(workshop):
    """A new service learns before its first reading."""
    shop = workshop(seed=7)
    assert _learnt(shop)[0].parameter_set.source is ParameterSource.DESCRIPTION


def test_learnt_sets_carry_span_errors_and_residuals(workshop, heavy_room):
    """What is stored says where it came from and how far it can be trusted."""
    shop = workshop(seed=8, room=heavy_room)
    shop.weeks_of_use(14)
    learnt = _learnt(shop)[0].parameter_set
    assert learnt.source is ParameterSource.HISTORY
    assert learnt.span_end_s - learnt.span_start_s == pytest.approx(14 * 86400.0, abs=900.0)
    assert set(learnt.error_k) == {"1", "6", "12", "24"}
    assert all(0.0 < error_k < 1.0 for error_k in learnt.error_k.values())
    assert network_of(learnt).slab_capacity_j_k == learnt.values["network_slab_capacity_j_k"].value
    assert response_of(learnt).residual_k[2] > 0.0  # the guard's own lead time needs it


def test_a_stored_set_reads_back_as_the_same_belief(workshop):
    """Means, standard errors and correlations survive the store."""
    shop = workshop()
    belief = zone_prior(shop.site.zones[0], latitude_deg=52.0).belief()
    stored = day_one_set(shop.site, shop.site.zones[0], now_s=0.0)
    stored = replace(stored, values=values_of(belief, (0.1, 0.2, 0.3, 0.4)))
    back = response_of(stored)
    assert back.model == belief.model
    assert np.allclose(back.belief.covariance, belief.covariance, rtol=1e-9)
    assert back.residual_k == (0.1, 0.2, 0.3, 0.4)


def test_a_set_that_lacks_a_value_is_refused(workshop):
    """An absurd store is named, not worked with."""
    stored = day_one_set(workshop().site, workshop().site.zones[0], now_s=0.0)
    values = {k: v for k, v in stored.values.items() if k != "gain_k_per_w"}
    with pytest.raises(ValueError, match="gain_k_per_w"):
        response_of(replace(stored, values=values))


def test_physical_range(workshop):
    """A time constant four times the described one lies outside, half of it within."""
    prior = zone_prior(workshop().site.zones[0], latitude_deg=52.0)
    model = prior.mean
    assert is_physical(replace(model, time_constant_s=0.5 * model.time_constant_s), prior)
    assert not is_physical(replace(model, time_constant_s=4.0 * model.time_constant_s), prior)
    assert not is_physical(replace(model, offset_k=9.0), prior)


def test_new_insulation_is_noticed_within_ten_days(workshop):
    """Four weeks as they were, ten days with three tenths less loss: a sentence says so."""
    shop = workshop(seed=12, restless_k=2.0)
    shop.weeks_of_use(28)
    before = learn(LearnErrand(shop.site, (), shop.now_s), shop.source).learnt[0]
    for room in shop.rooms.values():
        room.loss_w_k *= 0.7
    shop.weeks_of_use(10)
    after = learn(LearnErrand(shop.site, (before.parameter_set,), shop.now_s), shop.source)
    assert before.drift is None
    assert after.learnt[0].drift is not None
    assert "less heat" in after.learnt[0].drift


@pytest.mark.parametrize(
    ("factor", "words"),
    [(1000.0, "a new fit is no such building"), (0.001, "never exceeds 8 W, where the heater")],
)
def test_heat_in_the_wrong_unit_teaches_nothing_absurd(workshop, session, factor, words):
    """Watts taken for kilowatts, or the reverse: the description holds, and a plan still heats."""
    shop = workshop(seed=3)
    shop.weeks_of_use(15)
    shop.idle(36)
    changes = iter(shop.source.changes["boiler"])
    for at_s, on in changes:
        shop.source.add("boiler-power", at_s, 0.0)
        ends_s = next((t for t, _ in changes), shop.now_s) if on else at_s
        for t in np.arange(at_s, ends_s, 60.0):
            shop.source.add("boiler-power", float(t), factor * shop.heater.rating_w)
    meter = Sensor("boiler-power", Role.POWER, "boiler", "t/power", "W")
    site = replace(shop.site, sensors=(*shop.site.sensors, meter))
    shop = replace(shop, site=site)
    outcome = _learnt(shop)[0]
    assert words in outcome.reason
    hours = (shop.now_s - MONDAY_S) / 3600.0
    near = session(hours + 6.0, hours + 10.0, 24.0)
    plan = shop.plan((near,), (outcome.parameter_set,))
    assert not plan.outlooks[0].arrivals[0].reachable
    heat_s = sum(b.end_s - b.start_s for b in plan.blocks if b.heat and b.start_s < near.start_s)
    assert heat_s >= 5.5 * 3600.0
