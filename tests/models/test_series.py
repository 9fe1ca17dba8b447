"""Smoothing, bridging and the marking of gaps."""

from __future__ import annotations

import numpy as np
import pytest

from models.series import Series, prepare, running_median

NAN = float("nan")


def series(air: np.ndarray, **changes: np.ndarray) -> Series:
    """Samples of 5 minutes with outdoor air 0, heat 1 kW and no sun, but for the changes."""
    columns = {
        "slab_c": np.full(len(air), NAN),
        "outdoor_c": np.zeros(len(air)),
        "power_w": np.full(len(air), 1000.0),
        "sun_w_m2": np.full(len(air), NAN),
    }
    return Series(0.0, 300.0, air_c=air, **(columns | changes))


def test_running_median_is_that_of_each_window() -> None:
    """Equal to numpy's nanmedian on every window, at the ends and around gaps too."""
    rng = np.random.default_rng(1)
    values = rng.normal(size=60)
    values[[3, 10, 11, 40]] = NAN
    expected = [np.nanmedian(values[max(0, i - 2) : i + 3]) for i in range(60)]
    assert running_median(values, 5) == pytest.approx(expected)


def test_running_median_of_nothing_known_is_unknown() -> None:
    """A window without a known sample stays NaN."""
    assert np.isnan(running_median(np.full(9, NAN), 5)).all()


def test_door_dip_of_ten_minutes_does_not_enter() -> None:
    """Two samples of 8 K less leave the smoothed air as it was."""
    air = np.full(100, 16.0)
    air[50:52] -= 8.0
    assert prepare(series(air)).air_c == pytest.approx(np.full(100, 16.0))


def test_short_gaps_are_bridged_and_long_ones_marked() -> None:
    """Half an hour of outdoor air is bridged by a straight line, forty minutes are a gap."""
    outdoor = np.arange(100.0)
    outdoor[20:26] = NAN
    outdoor[60:68] = NAN
    history = prepare(series(np.full(100, 16.0), outdoor_c=outdoor))
    assert history.outdoor_c[20:26] == pytest.approx(np.arange(20.0, 26.0))
    assert list(np.flatnonzero(np.diff(history.unknown))) == list(range(60, 68))


def test_heat_is_held_over_short_gaps() -> None:
    """An unknown share of heat counts as the last known, never as the next."""
    power = np.array([0.0, 5000.0, NAN, NAN, 0.0, 0.0])
    history = prepare(series(np.full(6, 16.0), power_w=power))
    assert list(history.power_w) == [0.0, 5000.0, 5000.0, 5000.0, 0.0, 0.0]


def test_unknown_ends_are_gaps() -> None:
    """Nothing is made up before the first and after the last reading."""
    outdoor = np.zeros(20)
    outdoor[:2] = outdoor[-2:] = NAN
    history = prepare(series(np.full(20, 16.0), outdoor_c=outdoor))
    assert list(np.flatnonzero(np.diff(history.unknown))) == [0, 1, 18, 19]


def test_starts_leave_out_all_that_touches_a_gap() -> None:
    """From each start everything is known as far back and on as asked."""
    outdoor = np.zeros(60)
    outdoor[30:40] = NAN
    history = prepare(series(np.full(60, 16.0), outdoor_c=outdoor))
    assert list(history.starts(before=2, after=5, every=4)) == [4, 8, 12, 16, 20, 24, 44, 48, 52]


def test_sun_that_was_never_measured_is_none() -> None:
    """No irradiance sensor is no gap; a fitted one that fails for hours is."""
    sun = np.full(60, 200.0)
    sun[20:40] = NAN
    assert not prepare(series(np.full(60, 16.0))).has_sun
    assert prepare(series(np.full(60, 16.0))).unknown[-1] == 0
    assert prepare(series(np.full(60, 16.0), sun_w_m2=sun)).unknown[-1] == 20


def test_columns_of_other_lengths_are_refused() -> None:
    """All columns share one grid."""
    with pytest.raises(ValueError, match="one length"):
        series(np.zeros(10), outdoor_c=np.zeros(9))
