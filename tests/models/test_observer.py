"""Slab and room now: noise averages out, a door dip passes by, gaps are admitted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.network_prior import network_prior
from models.observer import state_now_c
from models.series import Series
from models.thermal_network import simulate
from tests.models.rich_room import DESCRIBED

NETWORK = network_prior(**DESCRIBED).network
STEP_S, COUNT = 300.0, 73


def six_hours() -> tuple[Series, np.ndarray]:
    """Three hours of full heat, then three without; the state at their end."""
    heat = np.where(np.arange(COUNT) < COUNT // 2, 8000.0, 0.0)
    outdoor = np.full(COUNT, -3.0)
    path = simulate(NETWORK, [14.0, 12.0], heat_w=heat[:-1], outdoor_c=outdoor[:-1], step_s=STEP_S)
    unknown = np.full(COUNT, np.nan)
    return Series(0.0, STEP_S, path[:, 1], path[:, 0], outdoor, heat, unknown), path[-1]


def test_clean_readings_give_the_state() -> None:
    """With the true network and clean readings the state is found.

    At the end the centred median over 20 minutes lags by up to 5; the slab falls by 0.3 K/h.
    """
    series, truth = six_hours()
    assert state_now_c(series, NETWORK) == pytest.approx(truth, abs=0.02)


def test_noise_averages_out() -> None:
    """Readings with 0.2 K of noise in 1/8 K steps give slab and air to 0.1 K nine times in ten."""
    series, truth = six_hours()
    rng, off = np.random.default_rng(1), []
    for _ in range(100):
        noise = rng.normal(0.0, 0.2, (2, COUNT))
        air, slab = np.round(np.array([series.air_c, series.slab_c]) * 8 + noise * 8) / 8
        found = state_now_c(replace(series, air_c=air, slab_c=slab), NETWORK)
        assert found is not None
        off.append(np.abs(found - truth))
    assert (np.mean(np.array(off) < 0.1, axis=0) > 0.9).all()


@pytest.mark.parametrize("minutes", [10, 20, 30])
def test_a_door_dip_does_not_move_it(minutes: int) -> None:
    """A gate open until this moment, the air 4 K down: the room is found to 0.1 K."""
    series, truth = six_hours()
    air = series.air_c.copy()
    air[-round(minutes * 60 / STEP_S) :] -= 4.0
    found = state_now_c(replace(series, air_c=air), NETWORK)
    assert found == pytest.approx(truth, abs=0.1)


def test_silence_of_the_sensors_is_bridged() -> None:
    """Half an hour without slab and air: older readings are carried to the present."""
    series, truth = six_hours()
    air, slab = series.air_c.copy(), series.slab_c.copy()
    air[-6:] = slab[-6:] = np.nan
    found = state_now_c(replace(series, air_c=air, slab_c=slab), NETWORK)
    assert found == pytest.approx(truth, abs=0.1)


@pytest.mark.parametrize("column", ["air_c", "slab_c", "outdoor_c", "power_w"])
def test_without_readings_there_is_no_state(column: str) -> None:
    """Two hours without one of them, and nothing is said of the present."""
    series, _ = six_hours()
    values = getattr(series, column).copy()
    values[-24:] = np.nan
    assert state_now_c(replace(series, **{column: values}), NETWORK) is None
