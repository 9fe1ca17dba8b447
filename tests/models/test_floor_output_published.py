"""How far the floor's characteristic is to be trusted: a share, and a second correlation."""

from __future__ import annotations

import math

import pytest

from models.floor_output import FLOOR_HEATING_W_M2K, floor_output_w_m2
from models.network_prior import network_prior

STEFAN_ROUNDED = 5e-8
RADIATION_W_M2K = 5.5


def by_second_correlation_w_m2(floor_c: float, room_c: float) -> float:
    """Radiation to surfaces at room temperature and natural convection, each by itself.

    ASHRAE Handbook HVAC Systems and Equipment, panel heating chapter (from memory).
    """
    radiation = STEFAN_ROUNDED * ((floor_c + 273.15) ** 4 - (room_c + 273.15) ** 4)
    return radiation + 2.13 * (floor_c - room_c) ** 1.31


def test_f5_convective_share() -> None:
    """F5: at 5 K the coefficient is 10.478 W/m2K, of which 47.51 % beyond 5.5 W/m2K is convection.

    Source: a comment in the UK Home Energy Model's published source.
    """
    coefficient = floor_output_w_m2(5.0) / 5.0
    assert coefficient == pytest.approx(10.478, abs=5e-4)
    assert (coefficient - RADIATION_W_M2K) / coefficient == pytest.approx(0.4751, abs=5e-5)


def test_f7_second_correlation_gives_less() -> None:
    """F7: floor at 29, room at 20 °C: 85.36 W/m2, which is 15 % below EN 1264's 100 W/m2."""
    second = by_second_correlation_w_m2(29.0, 20.0)
    assert second == pytest.approx(85.36, abs=0.005)
    assert 1.0 - second / floor_output_w_m2(29.0 - 20.0) == pytest.approx(0.15, abs=0.005)


@pytest.mark.parametrize("excess_k", [3.0, 5.0, 9.0, 15.0])
def test_f7_is_within_what_the_description_leaves_open(excess_k: float) -> None:
    """Two published correlations differ by no more than one deviation of slab to room at first."""
    prior = network_prior(
        area_m2=48.0, slab_capacity_j_k=16e6, room_capacity_j_k=2.5e6, slab_room_w_k=330.0,
        room_outdoor_w_k=150.0, slab_ground_w_k=15.0, floor_resistance_m2k_w=2.5,
        glazing_gain_m2=2.0,
    )  # fmt: skip
    ratio = by_second_correlation_w_m2(20.0 + excess_k, 20.0) / floor_output_w_m2(excess_k)
    deviation = prior.two_node.standard_deviations()["slab_room_w_k"]
    assert abs(math.log(ratio)) < deviation


def test_linear_coefficient_lies_among_those_of_the_characteristic() -> None:
    """10.8 W/m2K (EN 1264-5, from memory) is the characteristic's within a workshop's 2 to 15 K."""
    least, most = (floor_output_w_m2(excess_k) / excess_k for excess_k in (2.0, 15.0))
    assert least < FLOOR_HEATING_W_M2K < most
