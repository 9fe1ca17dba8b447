"""The one-pass backtest against the same done start by start."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.network_backtest import STEP_S, errors_by_horizon, starts_of, steps_of, track
from models.network_record import record_of
from models.observer import noise_of
from models.thermal_network import Kind, simulate
from tests.models.network_cases import days, description, workshop_weeks

NETWORK = description().belief(Kind.LINING).network


def test_errors_are_those_of_simulating_from_each_start() -> None:
    """From any start, the observer's state simulated with the record's inputs gives the error."""
    record = record_of(days(workshop_weeks(), 0, 10), step_s=STEP_S)
    tracked = track(record, NETWORK, noise_of(NETWORK))
    starts, steps = starts_of(record, 12), steps_of(record, 12)
    errors = tracked.air_errors(starts, steps)
    for start, error in list(zip(starts, errors, strict=True))[::29]:
        x0 = tracked.deviation[start].copy()
        x0[:3] += tracked.path_c[:, start]
        heat, outdoor, sun, *_ = record.inputs[:, start : start + steps]
        path = simulate(
            NETWORK, x0, heat_w=heat, outdoor_c=outdoor, sun_w_m2=sun, step_s=record.step_s
        )
        assert path[-1, 1] - record.air_c[start + steps] == pytest.approx(error, abs=1e-8)


def test_a_network_on_its_own_data_makes_no_errors() -> None:
    """Clean data of the same network: errors below 0.02 K a day ahead, all states found."""
    series = days(workshop_weeks(), 0, 8)
    record = record_of(series, step_s=300.0)
    x0 = np.array([12.0, 9.0, 8.0])
    heat, outdoor, sun, *_ = record.inputs
    path = simulate(NETWORK, x0, heat_w=heat, outdoor_c=outdoor, sun_w_m2=sun, step_s=300.0)
    clean = replace(record, air_c=path[:-1, 1], slab_c=path[:-1, 0])
    clean = replace(clean, driven=np.ones(len(record), dtype=bool))
    tracked = track(clean, NETWORK, noise_of(NETWORK))
    errors = tracked.air_errors(starts_of(clean, 24), steps_of(clean, 24))
    assert len(errors) > 100
    assert np.abs(errors).max() < 0.02


def test_holes_cost_starts_and_no_accuracy() -> None:
    """A week without outdoor air in the middle leaves the errors of the rest as they were."""
    series = days(workshop_weeks(), 0, 21)
    outdoor = series.outdoor_c.copy()
    outdoor[7 * 288 : 14 * 288] = np.nan
    whole = errors_by_horizon(series, NETWORK, [6, 24])
    broken = errors_by_horizon(replace(series, outdoor_c=outdoor), NETWORK, [6, 24])
    for hours in (6, 24):
        assert 0.5 * len(whole[hours]) < len(broken[hours]) < 0.7 * len(whole[hours])
        ratio = np.std(broken[hours]) / np.std(whole[hours])
        assert 0.6 < ratio < 1.6


def test_no_history_no_errors() -> None:
    """A few hours, or no air at all, give empty arrays."""
    series = workshop_weeks()
    assert len(errors_by_horizon(days(series, 0, 0.25), NETWORK, [1])[1]) == 0
    unknown = np.full(5 * 288, np.nan)
    silent = replace(days(series, 0, 5), air_c=unknown, slab_c=unknown)
    assert len(errors_by_horizon(silent, NETWORK, [1])[1]) == 0
