"""The observer finds hidden states from what is measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are

from models.network_record import Seen
from models.observer import (
    Noise,
    noise_of,
    observe,
    observe_all,
    steady_gain,
    step_covariance,
)
from models.series import Series
from models.thermal_network import Kind, Network, discrete, simulate
from tests.models.network_cases import description

STEP_S, COUNT = 900.0, 4 * 96
NETWORK = description().belief(Kind.LINING).network


def lived(network: Network, *, seed: int = 0, unseen_w: float = 0.0) -> tuple[Series, np.ndarray]:
    """Four days of a network on its own, and its state at their end."""
    rng = np.random.default_rng(seed)
    heat = 8000.0 * (np.arange(COUNT) // 20 % 5 == 0)
    outdoor = 3.0 * np.sin(np.arange(COUNT + 1) / 15.0)
    means = 0.5 * (outdoor[1:] + outdoor[:-1])
    path = simulate(
        replace(network, room_gain_w=network.room_gain_w + unseen_w),
        np.array([14.0, 10.0, 9.0])[: network.masses],
        heat_w=heat, outdoor_c=means, sun_w_m2=0.0, step_s=STEP_S,
    )  # fmt: skip
    noise = rng.normal(0.0, 0.05, (COUNT, 2))
    slab = path[:-1, 0] + network.slab_reading_k_w * heat + noise[:, 0]
    unknown = np.full(COUNT, np.nan)
    series = Series(0.0, STEP_S, path[:-1, 1] + noise[:, 1], slab, outdoor[:-1], heat, unknown)
    return series, path[-1]


@pytest.mark.parametrize("slab", [True, False])
def test_the_state_is_found_with_and_without_a_slab_sensor(slab: bool) -> None:
    """After four days slab, room and lining are within three of the stated deviations.

    And the statement says something: below 1 K for the slab even where no sensor sits in it.
    """
    series, truth = lived(NETWORK)
    if not slab:
        series = replace(series, slab_c=np.full(COUNT, np.nan))
    found = observe(NETWORK, series)
    deviation = np.sqrt(np.diag(found.covariance))
    assert (np.abs(found.x[:3] - truth[:3]) < 3.0 * deviation[:3]).all()
    assert deviation[0] < (0.5 if slab else 1.0)
    assert found.x[1] == pytest.approx(truth[1], abs=0.2)


def test_unseen_heat_is_found() -> None:
    """300 W that nobody measures come out as unseen heat, in whichever part, within 100 W."""
    series, _ = lived(NETWORK, unseen_w=300.0)
    plain, _ = lived(NETWORK)
    found = observe(NETWORK, series).x[3:].sum() - observe(NETWORK, plain).x[3:].sum()
    assert found == pytest.approx(300.0, abs=100.0)


def test_an_open_door_hardly_moves_the_state() -> None:
    """Air 4 K down for half an hour up to now moves the room by less than 1.5 K, the slab 0.1."""
    series, _ = lived(NETWORK)
    air = series.air_c.copy()
    air[-2:] -= 4.0
    moved = observe(NETWORK, replace(series, air_c=air)).x - observe(NETWORK, series).x
    assert abs(moved[1]) < 1.5
    assert abs(moved[0]) < 0.1


def test_a_gap_widens_and_does_not_break() -> None:
    """Without air for half a day the state goes on by the model; without inputs it is unsure."""
    series, truth = lived(NETWORK)
    air, outdoor = series.air_c.copy(), series.outdoor_c.copy()
    air[-48:] = np.nan
    silent = observe(NETWORK, replace(series, air_c=air, slab_c=air))
    whole = observe(NETWORK, series)
    assert silent.x[1] == pytest.approx(truth[1], abs=1.5)
    assert silent.covariance[1, 1] > whole.covariance[1, 1]
    outdoor[-48:] = np.nan
    blind = observe(NETWORK, replace(series, air_c=air, slab_c=air, outdoor_c=outdoor))
    assert blind.covariance[0, 0] > 10.0 * silent.covariance[0, 0]


def test_many_at_once_are_as_one_by_one() -> None:
    """A batch of networks gives what each gives alone."""
    series, _ = lived(NETWORK)
    noise = noise_of(NETWORK)
    networks = [NETWORK, replace(NETWORK, slab_capacity_j_k=12e6)]
    for alone, together in zip(networks, observe_all(networks, series, noise), strict=True):
        assert observe(alone, series, noise).x == pytest.approx(together.x)


@pytest.mark.parametrize("seen", [Seen.AIR, Seen.AIR_AND_SLAB])
def test_the_steady_gain_is_the_one_the_filter_settles_at(seen: Seen) -> None:
    """Iterating the filter's own covariance a thousand steps gives the gain of scipy's Riccati."""
    step, noise = discrete(NETWORK, STEP_S), noise_of(NETWORK)
    added = step_covariance(NETWORK, noise, STEP_S)
    rows = np.stack((step.c_air, step.c_slab))[: seen.value]
    reading = np.diag([noise.air_k**2, noise.slab_k**2])[: seen.value, : seen.value]
    p, gain = added, np.zeros((len(added), seen.value))
    for _ in range(8000):
        gain = p @ rows.T @ np.linalg.inv(rows @ p @ rows.T + reading)
        p = step.a @ (p - gain @ rows @ p) @ step.a.T + added
    assert steady_gain(step, added, noise, seen) == pytest.approx(gain, rel=1e-4, abs=1e-8)
    assert p == pytest.approx(solve_discrete_are(step.a.T, rows.T, added, reading), rel=1e-3)


def test_noise_without_any_reading_is_refused() -> None:
    """A series without room air cannot say where the room stands."""
    series, _ = lived(NETWORK)
    with pytest.raises(ValueError, match="no room air"):
        observe(NETWORK, replace(series, air_c=np.full(COUNT, np.nan)))


def test_noise_scales() -> None:
    """Twice the scale is twice the unseen and stray heat, and no worse a sensor."""
    one, two = noise_of(NETWORK), noise_of(NETWORK, scale=2.0)
    assert np.array(two.unseen_w) == pytest.approx(2.0 * np.array(one.unseen_w))
    assert two == Noise(two.unseen_w, two.stray_w_sqrt_h, one.air_k, one.slab_k)
