"""What promises have lacked, and how that puts new ones right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.planning.held_sessions import FARTHEST_K
from controller.planning.promises_kept import (
    DOUBT,
    OFFSET_K,
    PROMISED_S,
    Correction,
    correction,
)
from controller.records.plan import Arrival

DAY_H = 24.0


def _promise(session_id, air_c, half_k, **changed):
    low_c, high_c = air_c - half_k, air_c + half_k
    return Arrival(session_id, 16.0, air_c, low_c, high_c, reachable=True, **changed)


def _corrected(shop, session, missed_k, *, half_k=0.4):
    """What follows from promises missed by so much, one a day, each corrected as they came."""
    zone, heater, held, found = shop.site.zones[0], shop.site.heaters[0], [], Correction()
    for number, error_k in enumerate(missed_k):
        wanted = session(number * DAY_H + 24, number * DAY_H + 27, 16.0)
        told = found.of(_promise(wanted.id, 16.0, half_k))
        shop.source.promises[wanted.id] = [(wanted.start_s - PROMISED_S, told)]
        shop.source.add("bench-air", wanted.start_s, 16.0 + error_k)
        held.append(wanted)
        now_s = wanted.start_s + 3600.0
        found = correction(shop.source, shop.site, heater, zone, held, now_s=now_s)
    return found


def test_without_sessions_promises_stand(workshop, session):
    """Nothing held, nothing to put right."""
    assert _corrected(workshop(), session, []) == Correction(0.0, 1.0)


def test_what_was_always_missed_is_put_right(workshop, session):
    """Twenty rooms found 0.3 K colder than told: nearly all of it is taken off, by its count.

    The corrections already in the promises must not be learnt a second time.
    """
    found = _corrected(workshop(), session, [-0.3] * 20)
    assert found.air_k == pytest.approx(-0.3 * 20 / (20 + DOUBT))


def test_one_far_off_session_teaches_a_bounded_lesson(workshop, session):
    """A stove left burning: 5 K are taken for 1 K."""
    found = _corrected(workshop(), session, [5.0])
    assert found.air_k == pytest.approx(FARTHEST_K / (1 + DOUBT))


@pytest.mark.parametrize("scatter_k", [0.15, 0.6])
def test_intervals_come_to_hold_what_they_should(workshop, session, scatter_k):
    """Half widths of 0.4 K, whatever the scatter: at the end 80 % of normal errors lie within.

    The tolerance is what sixty sessions leave open: three standard errors of a quantile.
    """
    missed_k = scatter_k * np.random.default_rng(3).standard_normal(60)
    found = _corrected(workshop(), session, missed_k)
    assert 0.4 * found.widening == pytest.approx(1.2816 * scatter_k, rel=0.35)


def test_promises_of_later_than_half_a_day_before_do_not_count(workshop, session):
    """What was told an hour before a session had seen it coming."""
    shop = workshop()
    wanted = session(24, 27, 16.0)
    shop.source.promises[wanted.id] = [(wanted.start_s - 3600.0, _promise(wanted.id, 18.0, 0.1))]
    shop.source.add("bench-air", wanted.start_s, 16.0)
    zone, heater = shop.site.zones[0], shop.site.heaters[0]
    now_s = wanted.start_s + 3600.0
    assert correction(shop.source, shop.site, heater, zone, [wanted], now_s=now_s) == Correction()


@pytest.mark.parametrize("absurd", [float("nan"), float("inf"), -float("inf"), 1e300])
@pytest.mark.parametrize("field", ["air_c", "low_c", "high_c", "learnt_k", "widened"])
def test_a_damaged_promise_is_none(workshop, session, field, absurd):
    """What cannot have been promised teaches nothing, and keeps no plan from being made."""
    assert _found_with(workshop(), session, **{field: absurd}) == Correction()
    assert _found_with(workshop(), session, widened=0.0) == Correction()
    assert _found_with(workshop(), session, widened=1.0) != Correction()


def _found_with(shop, session, **changed):
    wanted = session(24, 27, 16.0)
    told = replace(_promise(wanted.id, 18.0, 0.4), **changed)
    shop.source.promises[wanted.id] = [(wanted.start_s - PROMISED_S, told)]
    shop.source.add("bench-air", wanted.start_s, 16.0)
    zone, heater, now_s = shop.site.zones[0], shop.site.heaters[0], wanted.start_s + 3600.0
    return correction(shop.source, shop.site, heater, zone, [wanted], now_s=now_s)


def test_the_interval_is_moved_and_widened_about_the_air():
    """Low and high keep their sides, with room for the sensor's offset; how stands beside them."""
    put_right = Correction(-0.2, 1.5).of(_promise("a", 18.0, 0.4))
    assert put_right.air_c == pytest.approx(17.8)
    half_k = (0.6**2 + OFFSET_K**2) ** 0.5
    assert (put_right.low_c, put_right.high_c) == pytest.approx((17.8 - half_k, 17.8 + half_k))
    assert (put_right.learnt_k, put_right.widened) == (-0.2, 1.5)
