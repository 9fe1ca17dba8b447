"""What can be said of the hours ahead without a model."""

from __future__ import annotations

import numpy as np
import pytest

from models.backtest import persistence_errors
from models.persistence import yesterday_errors
from models.series import Series

STEP_S = 300.0


def _series(air_c):
    rest = np.zeros_like(air_c)
    return Series(0.0, STEP_S, air_c, rest, rest, rest, rest)


def _hours(days):
    return np.arange(days * 288) / 12.0


def test_equal_days_are_foretold_without_error():
    """A daily wave: yesterday says it all, and *it stays as it is* is wrong by up to 2 x 4 K."""
    series = _series(8.0 + 4.0 * np.sin(2.0 * np.pi * _hours(4) / 24.0))
    # the smoothing bends the very first value
    assert np.abs(yesterday_errors(series, (12,), reach_back_s=46_800.0)[12]).max() < 1e-9
    assert np.abs(persistence_errors(series, (12,))[12]).max() == pytest.approx(8.0, abs=0.1)


def test_a_rise_is_missed_by_a_day_of_it():
    """A room that warms by 0.1 K an hour: each saying of yesterday is 2.4 K too cold."""
    errors = yesterday_errors(_series(0.1 * _hours(4)), (1, 6))
    # the smoothing at the series' end shifts the last value by at most two steps of 0.1/12 K
    assert errors[1] == pytest.approx(-2.4, abs=0.02)
    # what is said of an hour a day after the first, and of each hour after it to the fourth's end
    assert len(errors[1]) == len(errors[6]) == 72


def test_what_a_model_needs_before_a_start_can_be_asked_for_here_too():
    """Twelve hours of lead: no start before that, and the day before as far as it is needed."""
    errors = yesterday_errors(_series(_hours(3)), (6, 24), reach_back_s=12 * 3600.0)
    assert len(errors[6]) == 48
    assert len(errors[24]) == 35


def test_a_day_ahead_both_sayings_are_one():
    """At 24 h *as yesterday* and *stays* mean the same air."""
    series = _series(np.random.default_rng(1).normal(15.0, 1.0, 5 * 288))
    stays = persistence_errors(series, (24,), reach_back_s=7200.0)[24]
    yesterday = yesterday_errors(series, (24,), reach_back_s=7200.0)[24]
    assert yesterday == pytest.approx(stays)


def test_further_than_a_day_is_refused():
    """Of the day after tomorrow yesterday says nothing."""
    with pytest.raises(ValueError, match="24 h at most"):
        yesterday_errors(_series(_hours(3)), (36,))
