"""What a description says of a network: honest where the description is rough."""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.network_prior import at_coordinates, coordinates, draw_networks, network_prior
from tests.models.rich_room import DESCRIBED


def test_spread_covers_fields_a_quarter_off() -> None:
    """Each capacity and conductance is made of several fields, each up to a quarter off.

    With the rating off as well, 95 % of what may be true lies within two standard deviations.
    """
    rng = np.random.default_rng(1)
    sd = network_prior(**DESCRIBED).standard_deviations()
    for position, fields in enumerate((4, 3, 4, 3, 3)):
        factors = rng.uniform(0.75, 1.25, (4000, fields + 1))
        off = np.log(factors).sum(axis=1)
        assert np.mean(np.abs(off) < 2.0 * sd[position]) > 0.95


def test_rating_is_in_all_that_bears_watts() -> None:
    """A heater that gives less than it says scales all five alike, so draws lean the same way."""
    covariance = np.array(network_prior(**DESCRIBED).covariance)
    shared = covariance[:5, :5][~np.eye(5, dtype=bool)]
    assert shared == pytest.approx(0.25**2 / 3.0)  # variance of a uniform field a quarter off


def test_coordinates_go_there_and_back() -> None:
    """Network to vector and back is the same network, to rounding."""
    for network in draw_networks(network_prior(**DESCRIBED), 20, seed=2):
        back = coordinates(at_coordinates(coordinates(network)))
        assert back == pytest.approx(coordinates(network), rel=1e-12)


def test_an_area_of_the_sun_below_none_is_none() -> None:
    """A vector with the sun cooling the room stands for no sun."""
    vector = coordinates(network_prior(**DESCRIBED).network)
    vector[5] = -1.0
    assert at_coordinates(vector).sun_gain_m2 == 0.0


@pytest.mark.parametrize("field", ["slab_capacity_j_k", "ground_loss_w_k"])
def test_impossible_descriptions_are_refused(field: str) -> None:
    """No capacity or conductance may be 0, nor glazing below it."""
    with pytest.raises(ValueError, match="above 0"):
        network_prior(**(DESCRIBED | {field: 0.0}))
    with pytest.raises(ValueError, match="sun's area"):
        network_prior(**(DESCRIBED | {"glazing_gain_m2": -1.0}))
    assert math.isfinite(network_prior(**(DESCRIBED | {"glazing_gain_m2": 0.0})).network.gain_w)
