"""A description that is another building's: when it is doubted, and what becomes of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.planning.learn import learn
from controller.planning.network_parameters import (
    DOUBTED,
    known_network,
    network_of,
    prior_of,
    unphysical,
)
from controller.records.errands import LearnErrand
from controller.records.plan import Value
from tests.controller.planning.conftest import Room

DAYS = 12


@pytest.fixture
def cabin(workshop):
    """A timber floor that warms in minutes where the site file tells of 180 mm of concrete."""

    def make(seed=3):
        room = Room(slab_j_k=1.5e6, room_j_k=1e6, coupling_w_k=900.0, loss_w_k=80.0, ground_w_k=5.0)
        shop = workshop(seed=seed, room=room, restless_k=4.0)
        _used(shop, DAYS)
        return shop

    return make


def _used(shop, days):
    for minute in range(days * 1440):
        shop.minute(minute % 420 < 25)


def _learnt(shop, sets=()):
    return learn(LearnErrand(shop.site, tuple(sets), shop.now_s), shop.source).learnt[0]


def test_another_buildings_description_is_doubted_and_said_to_be(cabin):
    """Nothing within the description explains the cabin; what does is in force, and says so."""
    shop = cabin()
    outcome = _learnt(shop)
    assert "against the building's description" in outcome.reason
    known = known_network(shop.site, shop.site.zones[0], outcome.parameter_set)
    assert known.doubted
    found = network_of(outcome.parameter_set)
    assert unphysical(found, prior_of(shop.site, shop.site.zones[0])) is not None
    assert found.slab_capacity_j_k < 5e6
    assert known.network == found


def test_it_stays_doubted_from_night_to_night(cabin):
    """The next night's fit is held to the same, not drawn back to the description."""
    shop = cabin()
    first = _learnt(shop).parameter_set
    _used(shop, 3)
    second = _learnt(shop, (first,)).parameter_set
    assert second.id != first.id
    assert second.values.keys() >= {DOUBTED}
    assert network_of(second).slab_capacity_j_k < 5e6


@pytest.mark.parametrize("tried_s", [0.0, 1e11])
def test_what_was_doubted_once_is_believed_where_it_explains_again(cabin, workshop, tried_s):
    """A history that the description does explain: with the next thorough fit doubt is gone.

    That is the next one, too, after one that was made while the clock was ahead by years.
    """
    doubted = _learnt(cabin()).parameter_set
    assert DOUBTED in doubted.values
    doubted = replace(doubted, values={**doubted.values, "tried_all_s": Value(tried_s, 0.0)})
    as_told = workshop(seed=4)
    as_told.weeks_of_use(DAYS)
    learnt = _learnt(as_told, (doubted,))
    assert learnt.replaces
    assert DOUBTED not in learnt.parameter_set.values


def test_an_honest_description_is_not_doubted(workshop, heavy_room):
    """A room with less than half the described loss, but within reach: no word of doubt."""
    shop = workshop(seed=3, room=heavy_room)
    shop.weeks_of_use(16)
    outcome = _learnt(shop)
    assert outcome.replaces
    assert DOUBTED not in outcome.parameter_set.values
    assert "description" not in outcome.reason
