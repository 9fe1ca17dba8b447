"""Recalling the weather: exact on a known process, and honest of its own error."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from models.weather_memory import (
    CLEARNESS,
    OUTDOOR,
    Part,
    Readings,
    WeatherMemory,
    memory_of_s,
    recalled,
    scales,
)

HOUR_S = 3600.0
DAY_S = 86400.0
AHEAD_S = HOUR_S * np.arange(1.0, 73.0)
HOURLY_S = HOUR_S * np.arange(-14 * 24 + 1.0, 1.0)


def _readings(times_s, values, noise_sd=0.1):
    return Readings(times_s, np.asarray(values, dtype=float), np.full(times_s.size, noise_sd))


def _drawn(memory, chance, times_s):
    """One course of a memory's own process, by Cholesky."""
    factor = np.linalg.cholesky(memory.among(times_s) + 1e-6 * np.eye(times_s.size))
    return factor @ chance.normal(size=times_s.size)


def test_one_forgetting_part_fades_exponentially():
    """A first-order process read without noise: mean and sd have a closed form."""
    memory = WeatherMemory(0.0, 0.0, (Part(2.0, DAY_S),), 0.0)
    # one reading: no error of its own to scale by, so the stated sd stays
    normal = recalled(memory, _readings(np.array([0.0]), [3.0], 0.0), AHEAD_S)
    kept = np.exp(-AHEAD_S / DAY_S)
    assert normal.mean == pytest.approx(3.0 * kept)
    assert normal.sd() == pytest.approx(2.0 * np.sqrt(1.0 - kept**2))


def test_nothing_read_gives_the_prior():
    """The usual mean with its top in the early afternoon, and the prior's wide error."""
    normal = recalled(OUTDOOR, _readings(np.empty(0), []), AHEAD_S, solar_noon_s=12 * HOUR_S)
    assert AHEAD_S[np.argmax(normal.mean[:24])] / HOUR_S in (14.0, 15.0)
    assert normal.sd().min() > 50.0


def test_a_steady_wave_goes_on():
    """Fourteen equal days: the third day ahead is foretold within 0.5 K of the 5 K wave.

    The share of the wave that is taken to pass fades with 48 h: some 8 % of it are lost.
    """

    def wave(times_s):
        return 8.0 + 5.0 * np.cos(2 * np.pi * times_s / DAY_S)

    normal = recalled(OUTDOOR, _readings(HOURLY_S, wave(HOURLY_S)), AHEAD_S)
    assert np.abs(normal.mean - wave(AHEAD_S)).max() < 0.5


def test_what_is_read_in_another_unit_of_level_changes_nothing_else():
    """A climate 25 K colder: the same error, the mean lower by as much, but for a vague prior."""
    values = 3.0 * np.sin(HOURLY_S / 2e5)
    warm = recalled(OUTDOOR, _readings(HOURLY_S, values), AHEAD_S)
    cold = recalled(OUTDOOR, _readings(HOURLY_S, values - 25.0), AHEAD_S)
    assert cold.mean == pytest.approx(warm.mean - 25.0, abs=0.1)
    assert cold.sd() == pytest.approx(warm.sd(), rel=0.01)


def test_gaps_and_odd_times_are_no_trouble():
    """Half the readings gone at random and times off every grid: still a proper covariance."""
    chance = np.random.default_rng(1)
    times_s = np.sort(chance.uniform(-14 * DAY_S, 0.0, 200))
    normal = recalled(OUTDOOR, _readings(times_s, 5.0 + np.sin(times_s)), AHEAD_S)
    assert np.linalg.eigvalsh(normal.covariance).min() > -1e-6


@pytest.mark.parametrize("memory", [OUTDOOR, CLEARNESS], ids=["outdoor", "clearness"])
def test_the_interval_holds_on_its_own_kind_of_weather(memory):
    """Of 150 drawn courses the 80 % interval holds 80 % at 6, 24 and 72 h, within 9 %.

    The sampling error of 150 draws is 3.3 %; scaling by a fortnight adds a little.
    """
    chance = np.random.default_rng(2)
    # an unknown level of 100 K would swamp the Cholesky factor of the draw
    kind = replace(memory, parts=tuple(p for p in memory.parts if p.sd < 50.0))
    times_s = np.concatenate((HOURLY_S, AHEAD_S))
    held = np.zeros(3)
    for _ in range(150):
        course = memory.mean + _drawn(kind, chance, times_s)
        past = course[: HOURLY_S.size] + chance.normal(0.0, memory.noise_sd, HOURLY_S.size)
        normal = recalled(memory, _readings(HOURLY_S, past, memory.noise_sd), AHEAD_S)
        error = np.abs(normal.mean - course[HOURLY_S.size :]) / normal.sd()
        held += error[[5, 23, 71]] < 1.2816
    assert held / 150 == pytest.approx(0.8, abs=0.09)


@pytest.mark.parametrize("restless", [0.5, 2.0])
def test_restless_weather_is_noticed(restless):
    """Half or twice the usual swing for a fortnight: 13 day-ahead errors against 10 usual ones.

    Mean of 20 draws, each of 13 errors: 6 % of sampling error on a mean square, 3 % on its root.
    """
    chance = np.random.default_rng(3)
    kind = replace(OUTDOOR, parts=OUTDOOR.parts[1:])
    found = []
    for _ in range(20):
        course = restless * (_drawn(kind, chance, HOURLY_S) + chance.normal(0, 0.1, HOURLY_S.size))
        seen = OUTDOOR.among(HOURLY_S) + 0.01 * np.eye(HOURLY_S.size)
        found.append(scales(HOURLY_S, seen, course))
    short, long = np.sqrt(np.mean(np.square(found), axis=0))
    assert long == pytest.approx(math.sqrt((10 + 13 * restless**2) / 23), rel=0.09)
    within_day = 0.25 * (HOURLY_S.size - 1)
    expected = math.sqrt((10 + within_day * restless**2) / (10 + within_day))
    assert short == pytest.approx(expected, rel=0.09)


def test_the_memory_of_a_first_order_error_is_its_own():
    """An error that is such a process, with growing sd: its time constant is found within 2 %.

    The search is on a grid of times 1.33 apart, interpolated.
    """
    lag_s = HOUR_S * np.abs(np.subtract.outer(np.arange(48), np.arange(48)))
    sd = np.linspace(0.5, 3.0, 48)
    for memory_s in (5 * HOUR_S, 30 * HOUR_S, 5 * DAY_S):
        covariance = np.outer(sd, sd) * np.exp(-lag_s / memory_s)
        assert memory_of_s(covariance, HOUR_S) == pytest.approx(memory_s, rel=0.02)
