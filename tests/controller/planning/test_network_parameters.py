"""A learnt network as stored numbers, and back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.planning.network_parameters import (
    USUAL_ERROR_K,
    known_network,
    network_of,
    network_values,
    prior_of,
    unphysical,
)
from controller.planning.parameters import day_one_set
from models.network_prior import NetworkBelief
from models.observer import noise_of
from models.thermal_network import Kind


def _stored(shop, kind):
    """A set whose network differs from the description's and whose parameters hang together."""
    zone = shop.site.zones[0]
    belief = prior_of(shop.site, zone).belief(kind)
    covariance = np.array(belief.covariance)
    root = np.linalg.cholesky(covariance)
    root[1:, 0] += 0.3 * np.diag(root)[1:]
    network = replace(belief.network, slab_capacity_j_k=1.3 * belief.network.slab_capacity_j_k)
    learnt = NetworkBelief(network, tuple(map(tuple, (root @ root.T).tolist())))
    noise = noise_of(network, scale=0.7)
    plain = day_one_set(shop.site, zone, now_s=0.0)
    values = {**plain.values, **network_values(learnt, noise)}
    return replace(plain, model=kind.value, values=values, error_k={"6": 0.2}), learnt, noise


@pytest.mark.parametrize("kind", list(Kind))
def test_a_stored_network_reads_back_as_it_was(workshop, kind):
    """Network, joint uncertainty and noise survive the store; faint correlations may go."""
    shop = workshop()
    parameter_set, learnt, noise = _stored(shop, kind)
    known = known_network(shop.site, shop.site.zones[0], parameter_set)
    assert known.network == learnt.network == network_of(parameter_set)
    assert known.noise == noise
    assert known.error_k == {**USUAL_ERROR_K, 6: 0.2}
    sd = np.sqrt(np.diag(np.array(learnt.covariance)))
    off = (np.array(known.belief.covariance) - np.array(learnt.covariance)) / np.outer(sd, sd)
    assert np.abs(off).max() < 0.006  # correlations below 0.005 are not kept


def test_without_a_set_the_description_holds(workshop):
    """Day one: the description's network, under the name of day one."""
    shop = workshop()
    zone = shop.site.zones[0]
    known = known_network(shop.site, zone, None)
    assert known.parameter_set == "bench-day-one"
    assert known.network == prior_of(shop.site, zone).belief(Kind.LINING).network


def test_a_set_that_lacks_a_number_is_refused(workshop):
    """A network without its slab is none; the message names what is missing."""
    parameter_set, _, _ = _stored(workshop(), Kind.TWO_NODE)
    values = dict(parameter_set.values)
    del values["network_slab_capacity_j_k"]
    with pytest.raises(ValueError, match="slab_capacity_j_k"):
        network_of(replace(parameter_set, values=values))


def test_a_network_that_no_such_building_has_is_passed_over(workshop):
    """A hundred times the loss to the ground: the description takes its place, by its own name."""
    shop = workshop()
    zone = shop.site.zones[0]
    parameter_set, learnt, _ = _stored(shop, Kind.TWO_NODE)
    leaking = replace(learnt.network, slab_ground_w_k=100.0 * learnt.network.slab_ground_w_k)
    found = unphysical(leaking, prior_of(shop.site, zone))
    assert found is not None
    assert found.startswith("slab_ground_w_k came out as")
    absurd = network_values(replace(learnt, network=leaking), noise_of(leaking))
    values = {**parameter_set.values, **absurd}
    known = known_network(shop.site, zone, replace(parameter_set, values=values))
    assert known == known_network(shop.site, zone, None)


@pytest.mark.parametrize("factor", [0.5, 0.75, 1.33, 2.0])
@pytest.mark.parametrize("kind", list(Kind))
def test_a_building_described_half_or_double_is_one(workshop, kind, factor):
    """All sizes off by a factor of two: an owner's description may be wrong, and is then learnt."""
    shop = workshop()
    prior = prior_of(shop.site, shop.site.zones[0])
    network = prior.belief(kind).network
    fields = ("slab_capacity_j_k", "room_capacity_j_k", "room_outdoor_w_k", "sun_room_m2")
    changed = replace(network, **{name: factor * getattr(network, name) for name in fields})
    assert unphysical(changed, prior) is None
