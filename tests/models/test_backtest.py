"""Errors hours ahead on rolling starts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from models.backtest import errors_by_horizon, persistence_errors
from models.first_order import FirstOrder
from models.response import air_path
from models.series import Series

TRUTH = FirstOrder(40 * 3600.0, 0.006, 2700.0, 1.0, 0.012)
HORIZONS = (1, 6, 24)


def test_the_true_model_has_no_errors(first_order_series: Callable[..., Series]) -> None:
    """On clean data of its own, errors stay at what smoothing and sampling cost."""
    series = first_order_series(TRUTH, days=14, seed=1, clean=True)
    for errors in errors_by_horizon(series, TRUTH, HORIZONS).values():
        # the plant holds weather over 5 minutes where the model takes the mean of both ends,
        # and the running median flattens the thermostat's peaks by some hundredths
        assert np.abs(errors).max() < 0.05


def test_errors_are_those_of_predicting_from_each_start(
    first_order_series: Callable[..., Series],
) -> None:
    """The fast way over all starts equals predicting from one start at a time."""
    series = first_order_series(TRUTH, days=4, seed=2, clean=True)
    wrong = replace(TRUTH, gain_k_per_w=0.007, time_constant_s=30 * 3600.0, dead_time_s=3000.0)
    errors = errors_by_horizon(series, wrong, [6])[6]
    first = int(np.ceil((11) / 12) * 12)  # first full hour after a dead time and one sample
    for number in (0, 30, len(errors) - 1):
        begin, end = first + 12 * number, first + 12 * number + 72
        mean_c = 0.5 * (series.outdoor_c[begin:end] + series.outdoor_c[begin + 1 : end + 1])
        mean_sun = 0.5 * (series.sun_w_m2[begin:end] + series.sun_w_m2[begin + 1 : end + 1])
        start_c = float(np.median(series.air_c[begin - 2 : begin + 3]))
        path = air_path(
            wrong,
            start_c=start_c,
            pending_w=series.power_w[:begin],
            heat_w=series.power_w[begin:end],
            outdoor_c=mean_c,
            sun_w_m2=mean_sun,
            slot_s=series.step_s,
        )
        actual_c = float(np.median(series.air_c[end - 2 : end + 3]))
        assert errors[number] == pytest.approx(path[-1] - actual_c, abs=1e-9)


def test_persistence_has_the_same_starts(first_order_series: Callable[..., Series]) -> None:
    """With the model's dead time as reach, both are judged on the very same starts."""
    series = first_order_series(TRUTH, days=14, seed=3)
    ours = errors_by_horizon(series, TRUTH, HORIZONS)
    theirs = persistence_errors(series, HORIZONS, reach_back_s=TRUTH.dead_time_s)
    assert {h: len(e) for h, e in ours.items()} == {h: len(e) for h, e in theirs.items()}
    assert len(ours[6]) > 100


def test_persistence_error_is_what_the_air_did() -> None:
    """Air that rises 1 K an hour makes persistence 6 K too low after 6 h."""
    count = 12 * 24
    flat, unknown = np.zeros(count), np.full(count, np.nan)
    rising = Series(0.0, 300.0, np.arange(count) / 12.0, unknown, flat, flat, unknown)
    assert persistence_errors(rising, [6])[6] == pytest.approx(-6.0)


def test_starts_across_a_gap_are_left_out(first_order_series: Callable[..., Series]) -> None:
    """A day without outdoor air takes out the starts around it and makes no wild errors."""
    series = first_order_series(TRUTH, days=6, seed=4, clean=True)
    outdoor = series.outdoor_c.copy()
    outdoor[3 * 288 : 4 * 288] = np.nan
    holed = errors_by_horizon(replace(series, outdoor_c=outdoor), TRUTH, [6])[6]
    whole = errors_by_horizon(series, TRUTH, [6])[6]
    # a day, the horizon before it and the dead time after it
    assert len(whole) - len(holed) == pytest.approx(24 + 6 + 1, abs=1)
    assert np.abs(holed).max() < 0.05


def test_a_series_shorter_than_the_horizon_gives_none() -> None:
    """No start, no error, and no exception."""
    few = np.zeros(10)
    short = Series(0.0, 300.0, few, few, few, few, few)
    assert len(errors_by_horizon(short, TRUTH, [6])[6]) == 0
    assert len(persistence_errors(short, [6])[6]) == 0
