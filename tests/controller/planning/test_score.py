"""How a response is judged: on which history, by which errors, beside which sayings."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

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
        with pytest.raises(NothingToScoreError, match="no stretch of history long enough"):
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
