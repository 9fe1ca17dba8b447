"""What is learnt of a forecast's error, and what is made of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.forecast_skill import USUAL_OUTDOOR, Misses, error_ahead, joined, learnt_skill

HOUR_S = 3600.0
LEADS_S = HOUR_S * np.arange(0.0, 7 * 24.0, 3.0)


def _misses(chance, *, size=1.0, bias=0.0, alike=0.0, days=7):
    """Forecasts every 6 h, each an error of ``size`` x the usual sd, ``alike`` of it in common."""
    moments_s = 3 * HOUR_S * np.arange(-8 * days, 1.0)
    received_s = 6 * HOUR_S * np.arange(-4 * days, 0.0)
    leads_s = moments_s - received_s[:, np.newaxis]
    own = chance.normal(size=leads_s.shape)
    common = chance.normal(size=moments_s.size)
    noise = np.sqrt(1.0 - alike) * own + np.sqrt(alike) * common
    errors = bias + size * USUAL_OUTDOOR.sd(leads_s) * noise
    return Misses(np.where(leads_s > 0.0, errors, np.nan), leads_s)


def test_the_usual_skill_is_held_until_there_is_more():
    """No earlier forecast with readings: the usual skill itself."""
    silent = Misses(np.full((2, 4), np.nan), np.ones((2, 4)))
    assert learnt_skill(USUAL_OUTDOOR, silent) is USUAL_OUTDOOR


@pytest.mark.parametrize("size", [0.5, 2.0])
def test_the_error_found_lies_between_the_usual_and_the_measured(size):
    """A week of forecasts half or twice as far off: their 6.75 days against 8 usual ones.

    Bias takes a little of it; with some 100 errors a lead, 10 % covers both.
    """
    skill = learnt_skill(USUAL_OUTDOOR, _misses(np.random.default_rng(1), size=size))
    expected = np.sqrt((8.0 + 6.75 * size**2) / 14.75)
    assert skill.sd(LEADS_S) / USUAL_OUTDOOR.sd(LEADS_S) == pytest.approx(expected, rel=0.1)
    assert (np.diff(skill.sds) >= 0.0).all()


def test_a_steady_bias_is_found_and_said_how_surely():
    """Two kelvin too warm for a week: most of it known, the rest within its stated sd."""
    skill = learnt_skill(USUAL_OUTDOOR, _misses(np.random.default_rng(2), bias=2.0))
    assert 1.2 < skill.bias < 2.1
    assert abs(skill.bias - 2.0) < 2.0 * skill.bias_sd
    assert skill.bias_sd < USUAL_OUTDOOR.bias_sd


@pytest.mark.parametrize("alike", [0.0, 0.95])
def test_likeness_of_successive_forecasts_is_found(alike):
    """A week decides it: nearly none, or nearly all, within the usual's 2 days in 9."""
    skill = learnt_skill(USUAL_OUTDOOR, _misses(np.random.default_rng(3), alike=alike))
    expected = (2.0 * USUAL_OUTDOOR.alike + 7.0 * alike) / 9.0
    assert skill.alike == pytest.approx(expected, abs=0.06)


def test_two_equal_and_independent_forecasts_are_averaged():
    """The mean of both, with 1 / sqrt(2) of their sd."""
    skill = replace(USUAL_OUTDOOR, alike=0.0)
    leads_s = np.full((2, 1), 24 * HOUR_S)
    value, sd = joined(skill, np.array([[2.0], [4.0]]), leads_s)
    assert value[0] == pytest.approx(3.0)
    assert sd[0] == pytest.approx(skill.sd(leads_s)[0, 0] / np.sqrt(2.0))


def test_a_silent_forecast_has_no_say_and_all_silent_is_silence():
    """Where one is silent the other speaks alone; where both are, NaN."""
    nan = np.nan
    leads_s = np.full((2, 3), 24 * HOUR_S)
    value, sd = joined(USUAL_OUTDOOR, np.array([[2.0, nan, nan], [nan, 4.0, nan]]), leads_s)
    assert value[:2] == pytest.approx([2.0, 4.0])
    assert sd[:2] == pytest.approx(USUAL_OUTDOOR.sd(leads_s[0, :2]))
    assert np.isnan(value[2])


def test_a_stale_forecast_adds_nothing_where_errors_are_alike():
    """Wholly alike errors: the surer forecast alone, as no weight may be negative."""
    skill = replace(USUAL_OUTDOOR, alike=0.98)
    leads_s = HOUR_S * np.array([[20.0], [2.0]])
    value, _ = joined(skill, np.array([[9.0], [4.0]]), leads_s)
    assert value[0] == pytest.approx(4.0)


def test_what_was_missed_just_now_is_missed_again_and_fades():
    """Three kelvin off in the last hours: nearly all of it in an hour, the bias' share for ever."""
    times_s = HOUR_S * np.concatenate((np.arange(-5.0, 1.0), np.arange(1.0, 169.0)))
    sd = USUAL_OUTDOOR.sd(times_s - times_s[0])
    error = error_ahead(USUAL_OUTDOOR, times_s=times_s, sd=sd, missed=np.full(6, 3.0))
    assert error.mean[0] == pytest.approx(3.0, abs=0.4)
    assert (np.diff(error.mean) < 0.0).all()
    # bias sd 1.0 and red noise of 0.8 share what has been missed
    assert 1.0 < error.mean[-1] < 2.2
    assert error.sd()[0] < 0.5 < 2.0 < error.sd()[-1]
