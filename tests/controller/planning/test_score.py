"""How a response is judged: on which history, by which errors, beside which sayings."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from controller.earlier_log.resampling import held, straight
from controller.planning.network_parameters import network_values, prior_of
from controller.planning.parameters import RESIDUAL_H, day_one_set
from controller.planning.score import (
    HORIZONS_H,
    NothingToScoreError,
    air_sensors,
    latest_history,
    score,
    score_of,
)
from controller.records.imported import imported_id, with_imported
from controller.records.plan import ParameterSource, Value
from controller.records.site import OUTDOOR, Role
from models import network_backtest
from models.backtest import errors_by_horizon
from models.first_order import FirstOrder
from models.observer import noise_of
from models.thermal_network import Kind, Network
from tests.controller.builders import make_site

START_S = 1_768_176_000.0  # 2026-01-12 00:00 UTC
DAYS = 12
END_S = START_S + DAYS * 86400.0
TRUE = FirstOrder(30 * 3600.0, 0.005, 300.0, 1.0)


class Imported:
    """A source that holds imported samples alone, no commands and no forecasts."""

    def __init__(self, samples):
        self._samples = samples

    def samples(self, sensor, since_s, until_s):
        return [s for s in self._samples.get(sensor, []) if since_s <= s[0] < until_s]

    def heating(self, heater, since_s, until_s):
        return []

    def forecasts(self, since_s, until_s):
        return []


def _room(days=DAYS):
    """A first-order room, solved exactly over steps of 5 min: air, heat, outdoors."""
    count = days * 288
    hour = np.arange(count) / 12.0
    outdoor_c = 2.0 + 4.0 * np.sin(2 * math.pi * hour / 24.0)
    power_w = np.where((hour // 24 % 3 == 1) & (hour % 24 < 8), 9000.0, 0.0)
    keep, air_c = math.exp(-300.0 / TRUE.time_constant_s), np.empty(count)
    air_c[0] = 8.0
    for k in range(count - 1):
        mean_c = 0.5 * (outdoor_c[k] + outdoor_c[k + 1])
        acting_w = power_w[max(0, k - 1)]  # a dead time of one step
        goal_c = mean_c + TRUE.offset_k + TRUE.gain_k_per_w * acting_w
        air_c[k + 1] = goal_c + keep * (air_c[k] - goal_c)
    at_s = START_S + 300.0 * np.arange(count)

    def pairs(values):
        return list(zip(at_s.tolist(), values.tolist(), strict=True))

    return {
        imported_id(Role.AIR, "bay"): pairs(air_c),
        imported_id(Role.POWER, "boiler"): pairs(power_w),
        imported_id(Role.OUTDOOR, OUTDOOR): pairs(outdoor_c),
    }


@pytest.fixture
def site():
    """One bay with slab, air and outdoor sensors, but no meter of power."""
    return make_site()


@pytest.fixture
def source():
    """Twelve days of an earlier log."""
    return Imported(_room())


def _set(site, model=TRUE, **changes):
    made = day_one_set(site, site.zones[0], now_s=0.0)
    values = dict(made.values)
    for name in ("time_constant_s", "gain_k_per_w", "dead_time_s", "offset_k"):
        values[name] = Value(getattr(model, name), 0.0)
    return replace(made, values=values, **changes)


def _learnt(site, days, model=TRUE):
    span = {"span_start_s": START_S, "span_end_s": START_S + days * 86400.0}
    return _set(site, model, source=ParameterSource.HISTORY, **span)


def test_power_alone_is_heat_enough(site, source):
    """No command was ever given and no slab measured: the series has air, heat and outdoors."""
    series = latest_history(source, site, site.zones[0], last_s=END_S - 300.0)
    assert len(series.air_c) == DAYS * 288
    assert np.isfinite(series.air_c + series.outdoor_c + series.power_w).all()
    assert series.power_w.sum() * 300.0 == pytest.approx(4 * 8 * 3600.0 * 9000.0)
    assert np.isnan(series.slab_c).all()


def test_a_true_response_is_right_and_sayings_are_not(site, source):
    """Rms below 0.1 K (the air is smoothed over 20 minutes); stays as it is: kelvins."""
    found = score(source, site, _set(site), last_s=END_S - 300.0)
    assert tuple(found.response) == HORIZONS_H == RESIDUAL_H
    assert max(errors.rms_k for errors in found.response.values()) < 0.1
    assert found.stays[12].rms_k > 2.0
    assert found.yesterday[12].rms_k > 2.0
    assert found.yesterday[24] == found.stays[24]
    # starts an hour apart: all but the last day's
    assert found.response[24].count == pytest.approx(24 * (DAYS - 1), abs=2)


def test_bias_has_the_sign_of_predicted_less_measured(site, source):
    """A response with 2 K more offset than the room says 2 (1 - exp(-24/30)) K too much at 24 h."""
    found = score(source, site, _set(site, replace(TRUE, offset_k=3.0)), last_s=END_S - 300.0)
    assert found.response[24].bias_k == pytest.approx(2.0 * (1.0 - math.exp(-24 / 30)), abs=0.05)


def test_history_that_was_not_learnt_from_is_preferred(site, source):
    """A set from five days is judged on the seven after them; one from all on the last quarter."""
    fresh = score(source, site, _learnt(site, 5), last_s=END_S - 300.0)
    assert fresh.unseen
    assert (fresh.start_s, fresh.end_s) == (START_S + 5 * 86400.0, END_S)
    whole = score(source, site, _learnt(site, DAYS), last_s=END_S - 300.0)
    assert not whole.unseen
    assert whole.start_s == START_S + 9 * 86400.0
    described = score(source, site, _set(site), last_s=END_S - 300.0)
    assert described.unseen
    assert described.start_s == START_S


def test_nothing_known_is_said(site):
    """Air without outdoors, and nothing at all: a sentence instead of numbers."""
    room = _room(2)
    del room[imported_id(Role.OUTDOOR, OUTDOOR)]
    for samples in (room, {}):
        with pytest.raises(NothingToScoreError, match="not known of this time"):
            score(Imported(samples), site, _set(site), last_s=START_S + 2 * 86400.0)


def test_first_order_sets_are_judged_by_their_own_backtest(site, source):
    """The dispatch gives what the model's own function gives."""
    series = latest_history(source, site, site.zones[0], last_s=END_S - 300.0)
    model = replace(TRUE, sun_gain_k_m2_per_w=_set(site).values["sun_gain_k_m2_per_w"].value)
    expected = errors_by_horizon(series, model, HORIZONS_H)
    found = score_of(_set(site), series)
    assert all(np.array_equal(found[h], expected[h]) for h in HORIZONS_H)


def test_other_sets_are_judged_as_networks(site, source, monkeypatch):
    """A set of another model goes through the network that is made of it."""
    network = Network(Kind.TWO_NODE, 18e6, 2e6, 400.0, 150.0, 15.0, 1.0, 1.0, 1.0, 9.0)
    maker = ModuleType("network_parameters")
    maker.network_of = lambda parameter_set: network
    monkeypatch.setitem(sys.modules, "controller.planning.network_parameters", maker)
    series = latest_history(source, site, site.zones[0], last_s=END_S - 300.0)
    expected = network_backtest.errors_by_horizon(series, network, HORIZONS_H)
    found = score_of(replace(_set(site), model="two_node"), series)
    assert expected[24].size > 0
    assert all(np.array_equal(found[h], expected[h]) for h in HORIZONS_H)


def test_imported_and_measured_air_are_both_looked_at(site):
    """The ids of the bay's sensor and of its imported samples; the site itself stays as it is."""
    assert air_sensors(site, site.zones[0]) == ("bay-air", "air@bay")
    added = with_imported(site).sensors[len(site.sensors) :]
    assert [sensor.id for sensor in added] == [
        "air@bay", "slab@bay", "outdoor@outdoor", "irradiance@outdoor", "power@boiler",
    ]  # fmt: skip


AIR = imported_id(Role.AIR, "bay")


def _network(site, days):
    """The description's network, as if it had been learnt."""
    belief = prior_of(site, site.zones[0]).belief(Kind.TWO_NODE)
    values = network_values(belief, noise_of(belief.network))
    return replace(_learnt(site, days), model=Kind.TWO_NODE.value, values=values)


def _on_grid(rows):
    """Rows an hour apart as an import brings them to the grid; nothing of what has no rows."""
    found = {}
    for sensor, pairs in rows.items():
        times, values = zip(*pairs, strict=True) if pairs else ((), ())
        if not times:
            continue
        if sensor.startswith("power"):
            found[sensor] = list(held(times, values, usual_s=3600.0, reach_s=5400.0))
        else:
            found[sensor] = list(straight(times, values, reach_s=7560.0))
    return found


def _hourly(samples, *, lost, until_s=1e12):
    """An hourly log brought to the grid as an import does, without some of its rows."""
    return Imported(
        _on_grid(
            {
                sensor: [r for k, r in enumerate(pairs[::12]) if not lost(k) and r[0] < until_s]
                for sensor, pairs in samples.items()
            }
        )
    )


def test_hourly_history_with_a_hole_each_day_is_judged(site):
    """Two rows in a row are lost every 20 h: enough is left, for a network as for a response."""
    source = _hourly(_room(), lost=lambda k: k % 20 in (7, 8))
    found = score(source, site, _learnt(site, DAYS), last_s=END_S - 3600.0)
    assert {1, 6} <= set(found.response)
    assert found.response[6].rms_k < 0.5
    found = score(source, site, _network(site, DAYS), last_s=END_S - 3600.0)
    assert found.response[1].count >= 12


def test_where_the_last_part_is_too_short_all_is_judged(site):
    """Of a day and a half the last quarter is nine hours: the whole is taken, and said to be."""
    source = _hourly(_room(2), lost=lambda k: False, until_s=START_S + 1.5 * 86400.0)
    found = score(source, site, _network(site, 1.5), last_s=START_S + 1.5 * 86400.0)
    assert not found.unseen
    assert found.start_s == START_S


def test_a_short_history_is_judged_at_every_horizon_that_it_has(site):
    """Of five days the last quarter is too short for 24 h: all is judged, with both sayings."""
    source = _hourly(_room(5), lost=lambda k: False)
    found = score(source, site, _network(site, 5), last_s=START_S + 5 * 86400.0)
    assert (found.unseen, found.start_s) == (False, START_S)
    assert tuple(found.response) == tuple(found.stays) == tuple(found.yesterday) == HORIZONS_H


@pytest.mark.parametrize(
    ("role", "lost", "words"),
    [
        ("power", lambda k: True, "^heat is not known of this time, neither measured nor"),
        (
            "outdoor",
            lambda k: k % 4 > 1,
            "for 1 h 5 min at a stretch .* outdoor air for 1 h 5 min,",
        ),
    ],
)
def test_what_is_missing_is_named(site, role, lost, words):
    """Which of the three, and for how long each is known; no hint where none is needed."""
    whole = _room()
    whole[imported_id(Role.POWER, "boiler")] = [(t, 0.0) for t, _ in _room()[AIR]]
    few = {s: [r for k, r in enumerate(p[::12]) if not (s.startswith(role) and lost(k))]
           for s, p in whole.items()}  # fmt: skip
    with pytest.raises(NothingToScoreError, match=words):
        score(Imported(_on_grid(few)), site, _learnt(site, DAYS), last_s=END_S - 3600.0)


def test_irradiance_of_the_last_day_alone_costs_no_history(site):
    """A sensor fitted late is left out, and told of; one that was always there is taken in."""
    samples = _room()
    sun = [(at_s, 100.0) for at_s, _ in samples[AIR]]
    for since, left_out in ((-288, True), (0, False)):
        samples[imported_id(Role.IRRADIANCE, OUTDOOR)] = sun[since:]
        found = score(Imported(samples), site, _set(site), last_s=END_S - 300.0)
        assert found.sun_left_out is left_out
        assert found.response[24].count > 200
