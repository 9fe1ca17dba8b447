"""What a description says of a network, and how sure it is."""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.network_prior import LEARNT, at_coordinates, coordinates, draw_networks, network_prior
from models.thermal_network import SIGNED, Kind, steady_state
from tests.models.network_cases import description

PRIOR = description()


@pytest.mark.parametrize("kind", list(Kind))
def test_coordinates_go_there_and_back(kind: Kind) -> None:
    """A network is the same after it was taken to its learnt parameters and back."""
    network = PRIOR.belief(kind).network
    back = at_coordinates(network, coordinates(network))
    assert back.kind is kind
    for name, number in network.values().items():
        assert back.values()[name] == pytest.approx(number, rel=1e-12), name


@pytest.mark.parametrize("kind", list(Kind))
def test_draws_follow_the_belief(kind: Kind) -> None:
    """2000 draws have the stated spread within 10 % (its own error is 1.6 %); same seed, same."""
    belief = PRIOR.belief(kind)
    drawn = draw_networks(belief, 2000, seed=1)
    spread = np.std([coordinates(network) for network in drawn], axis=0)
    assert spread == pytest.approx(list(belief.standard_deviations().values()), rel=0.1)
    assert draw_networks(belief, 3, seed=1) == draw_networks(belief, 3, seed=1)
    assert draw_networks(belief, 3, seed=1) != draw_networks(belief, 3, seed=2)


def test_the_spread_allows_for_every_field_off_by_a_quarter() -> None:
    """Fields drawn from +-25 % move no quantity further than three of its standard deviations.

    The rating is one field, a slab's capacity area x thickness x density x heat capacity, and
    its conductance to the room the concrete above the tubes, covering and surface together.
    """
    rng = np.random.default_rng(2)
    fields = np.log(1.0 + rng.uniform(-0.25, 0.25, (4000, 4)))
    sd = PRIOR.two_node.standard_deviations()
    for name, count in (("heat_gain", 1), ("slab_capacity_j_k", 4), ("room_outdoor_w_k", 3)):
        product = fields[:, :count].sum(axis=1)
        assert np.std(product) <= 1.05 * sd[name]
        assert np.mean(np.abs(product) < 3.0 * sd[name]) > 0.99


@pytest.mark.parametrize("kind", [Kind.LINING, Kind.GROUND])
def test_the_third_mass_leaves_the_building_as_it_is(kind: Kind) -> None:
    """8 kW at -5 C outdoors lift the room as far with three masses as with two, within a fifth.

    The third mass adds no loss of its own; only where the heat passes differs.
    """
    two, three = (
        steady_state(PRIOR.belief(k).network, heat_w=8000.0, outdoor_c=-5.0)[1] + 5.0
        for k in (Kind.TWO_NODE, kind)
    )
    assert three == pytest.approx(two, rel=0.2)


def test_every_learnt_parameter_has_a_spread() -> None:
    """No parameter is held fixed, and those that may be negative are not on a log scale."""
    for kind in Kind:
        belief = PRIOR.belief(kind)
        sd = belief.standard_deviations()
        assert list(sd) == list(LEARNT[kind])
        assert all(deviation > 0 for deviation in sd.values())
        logs = [name for name in LEARNT[kind] if name not in SIGNED]
        place = LEARNT[kind].index(logs[0])
        assert coordinates(belief.network)[place] == pytest.approx(
            math.log(belief.network.values()[logs[0]])
        )


def test_a_floor_without_area_is_refused() -> None:
    """Areas and losses must be above 0; the message says which."""
    with pytest.raises(ValueError, match="floor area and loss"):
        network_prior(
            area_m2=0.0, slab_capacity_j_k=1e7, room_capacity_j_k=1e6, slab_room_w_k=300.0,
            room_outdoor_w_k=150.0, slab_ground_w_k=10.0, floor_resistance_m2k_w=2.0,
            glazing_gain_m2=0.0,
        )  # fmt: skip
