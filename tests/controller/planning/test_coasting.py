"""What a room does if the heater stops now."""

from __future__ import annotations

import math
from dataclasses import replace

from controller.planning.coasting import coasting
from controller.planning.network_parameters import FIRST_KIND, network_values, prior_of
from controller.records.plan import ParameterSet, ParameterSource
from controller.records.sessions import Session
from models.observer import noise_of


def _told(shop, floor_c):
    return coasting(
        shop.source, shop.site, shop.site.zones[0], (), now_s=shop.now_s, floor_c=floor_c
    )


def test_a_slab_just_heated_still_warms_the_room(workshop):
    """After a night of heat the peak lies ahead, and the quantiles are in order."""
    shop = workshop(seed=3)
    shop.idle(24)
    for _ in range(600):
        shop.minute(True)
    found = _told(shop, 14.0)
    (air_c,) = (room.air_c for room in shop.rooms.values())
    assert found.middle.peak_c > air_c
    assert found.middle.peak_s > 0.0
    assert found.low.peak_c < found.middle.peak_c < found.high.peak_c
    assert found.low.below_s <= found.middle.below_s <= found.high.below_s


def test_a_cold_room_is_below_at_once(workshop):
    """What is never reached has no time of falling below it."""
    shop = workshop(seed=4)
    shop.idle(24)
    assert _told(shop, 30.0).high.below_s == 0.0


def test_what_does_not_fall_is_never_below(workshop):
    """A floor far under the weather is not undercut within the days looked at."""
    shop = workshop(seed=5)
    shop.idle(24)
    assert math.isinf(_told(shop, -20.0).low.below_s)


def test_people_keep_a_room_warm_longer(workshop):
    """What a network has learnt of people counts while the zone is booked, now and ahead."""
    shop = workshop(seed=6)
    shop.idle(24)
    zone = shop.site.zones[0]
    belief = prior_of(shop.site, zone).belief(FIRST_KIND)
    lived_in = replace(belief, network=replace(belief.network, people_w=1000.0))
    learnt = ParameterSet(
        id="lived-in", zone=zone.id, made_s=shop.now_s, model=FIRST_KIND.value,
        source=ParameterSource.HISTORY, values=network_values(lived_in, noise_of(belief.network)),
    )  # fmt: skip
    booked = Session("a", zone.id, shop.now_s, shop.now_s + 6 * 3600.0, 18.0)
    alone, in_company = (
        coasting(
            shop.source, shop.site, zone, (learnt,), now_s=shop.now_s, floor_c=5.0, sessions=held
        )
        for held in ((), (booked,))
    )
    assert in_company.middle.peak_c > alone.middle.peak_c + 1.0
