"""From a description to heat loss, storage and prior."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.planning.describe import (
    glazing_gain_m2,
    heat_share,
    slab_capacity_j_k,
    zone_loss_w_k,
    zone_prior,
)
from controller.records.site import Glazing, Layer, Surface


@pytest.fixture
def zone(workshop):
    """The ordinary workshop's room."""
    return workshop().site.zones[0]


def test_slab_storage_of_a_square_metre(zone):
    """150 mm of concrete store 303.6 kJ/m2K (material values of ISO 10456, from memory)."""
    floor = replace(zone.floor, slab_thickness_m=0.15, area_m2=1.0)
    assert slab_capacity_j_k(floor) == pytest.approx(303.6e3, rel=1e-6)


def test_loss_is_envelope_air_and_ground(zone):
    """Walls and roof 0.8 x 132 m2, air 0.34 x 0.5 x 144 m3, and a few W/K of ground."""
    envelope_w_k, air_w_k = 0.8 * (84.0 + 48.0), 0.34 * 0.5 * 144.0
    ground_w_k = zone_loss_w_k(zone) - envelope_w_k - air_w_k
    # ISO 13370 for 8 x 6 m on 100 mm of insulation gives 12.0 W/K; this has 80 mm
    assert 12.0 < ground_w_k < 16.0


def test_layers_and_their_u_value_agree(zone):
    """0.13 + 0.1/0.04 + 0.04 m2K/W by ISO 6946, given either way."""
    layered = Surface("w", 10.0, None, (Layer(0.1, 0.04),))
    given = Surface("w", 10.0, 1.0 / (0.13 + 2.5 + 0.04))
    losses = [zone_loss_w_k(replace(zone, surfaces=(s,))) for s in (layered, given)]
    assert losses[0] == pytest.approx(losses[1], rel=1e-9)


def test_prior_gain_is_the_inverse_loss(zone):
    """In the steady state a watt lifts the room by one over the loss."""
    prior = zone_prior(zone, latitude_deg=52.0)
    assert prior.mean.gain_k_per_w == pytest.approx(1.0 / zone_loss_w_k(zone))


@pytest.mark.parametrize(("latitude_deg", "sunny_deg"), [(52.0, 180.0), (-34.0, 0.0)])
def test_glass_towards_the_equator_gains_most(latitude_deg, sunny_deg):
    """South in the north, north in the south; the shaded side about a quarter of it."""
    sunny, shaded = (
        glazing_gain_m2(Glazing(4.0, azimuth, 90.0, 0.6), latitude_deg)
        for azimuth in (sunny_deg, 180.0 - sunny_deg)
    )
    assert sunny > 3.0 * shaded > 0.0


def test_shares_of_a_heater_add_up(pair):
    """Every watt goes somewhere; a zone that is not served gets none."""
    site = pair().site
    assert sum(heat_share(site, site.heaters[0], z) for z in site.zones) == pytest.approx(1.0)
    other = replace(site.zones[0], id="attic")
    assert heat_share(site, site.heaters[0], other) == 0.0
