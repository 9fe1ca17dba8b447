"""Where a zone is taken to stand: by the readings in hand, not by a guess at what lay between."""

from __future__ import annotations

import pytest

from controller.planning.network_parameters import known_network
from controller.planning.zone_state import zone_state
from models.thermal_network import ROOM, SLAB, THIRD


def _state(shop):
    zone = shop.site.zones[0]
    known = known_network(shop.site, zone, None)
    return zone_state(shop.source, shop.site, zone, known, at_s=shop.now_s)


def _only(shop, spans):
    """Forget every reading and command outside some spans, in hours before now."""
    for sensor, (times, values) in shop.source.readings.items():
        kept = [
            (t, v)
            for t, v in zip(times, values, strict=True)
            if any(begin <= (shop.now_s - t) / 3600.0 <= end for begin, end in spans)
        ]
        shop.source.readings[sensor] = tuple(map(list, zip(*kept, strict=True)))
    shop.source.changes.clear()


@pytest.mark.parametrize("spans", [[(0.0, 0.2)], [(0.0, 0.2), (30.0, 45.0)], [(0.0, 5.0)]])
def test_a_warm_room_is_not_led_through_guesses_of_days(workshop, spans):
    """Readings begin now, or again after a day: room and slab stand where they are read.

    The workshop was heated meanwhile, which nobody saw: carried from the cold it was in before,
    or through two days without known heat, it would seem colder than it is.
    """
    shop = workshop(seed=2)
    shop.idle(20)
    for _ in range(26 * 60):
        shop.minute(True)
    shop.idle(2)
    room = shop.rooms["bench"]
    assert room.air_c > 18.0
    _only(shop, spans)
    state = _state(shop)
    assert state.x[ROOM] == pytest.approx(room.air_c, abs=0.3)
    assert state.x[SLAB] == pytest.approx(room.slab_c, abs=1.2)
    assert state.x[THIRD] > room.air_c - 3.0


def test_a_short_hole_is_bridged(workshop):
    """Some hours without readings are no new beginning: what was known before still counts."""
    shop = workshop(seed=2)
    shop.idle(47)
    _only(shop, [(0.0, 1.0), (5.0, 47.0)])
    assert _state(shop).states[0].covariance[SLAB, SLAB] < 0.5**2
