"""What sessions already held say of the margin."""

from __future__ import annotations

import numpy as np
import pytest

from controller.planning.held_sessions import (
    DOUBT,
    FARTHEST_K,
    FIRST_K,
    MOST_K,
    OFFSET_K,
    PROMISED_S,
    STEP_K,
    Correction,
    correction,
    hidden_k,
    margin_shift_k,
)
from controller.records.plan import Arrival

DAY_H = 24.0


def _shift_after(shop, session, errors_k, readiness=0.95):
    """Shift after a session a day, each found this far from its target."""
    held = []
    for number, error_k in enumerate(errors_k):
        wanted = session(number * DAY_H + 12, number * DAY_H + 15, 16.0, readiness=readiness)
        for minute in range(-10, 10):
            shop.source.add("bench-air", wanted.start_s + 60.0 * minute, 16.0 + error_k)
        held.append(wanted)
    zone = shop.site.zones[0]
    now_s = held[-1].start_s + 3600.0
    return margin_shift_k(shop.source, shop.site, zone, held, now_s=now_s)


def test_one_cold_session_lifts_the_margin_by_a_step(workshop, session):
    """Cold by more than the band: up by the step times what was asked for."""
    assert _shift_after(workshop(), session, [-0.9]) == pytest.approx(FIRST_K + 0.95 * STEP_K)


def test_ready_sessions_bring_it_down_slowly(workshop, session):
    """Ten found ready give back half of what one found cold has added."""
    after = _shift_after(workshop(), session, [-0.9] + [0.0] * 10)
    assert after == pytest.approx(FIRST_K + 0.95 * STEP_K - 10 * 0.05 * STEP_K)


def test_a_room_that_may_only_seem_warm_lifts_the_margin(workshop, session):
    """What a sensor that reads too warm may hide counts as cold: with 0.15 K of spread, 0.1 K.

    sqrt(0.15^2 + 0.15^2) - 0.15 = 0.0621 K, times the normal distribution's 1.645 at 95 %.
    """
    up_k, down_k = 0.95 * STEP_K, -0.05 * STEP_K
    assert _shift_after(workshop(), session, [-0.5 + 0.101]) == pytest.approx(FIRST_K + up_k)
    assert _shift_after(workshop(), session, [-0.5 + 0.104]) == pytest.approx(FIRST_K + down_k)


def test_a_run_of_cold_sessions_is_bounded(workshop, session):
    """A heater that cannot do it must not heat for days."""
    assert _shift_after(workshop(), session, [-3.0] * 12) == MOST_K


@pytest.mark.parametrize("readiness", [0.8, 0.9, 0.95])
def test_in_the_long_run_readiness_is_what_was_asked(workshop, session, readiness):
    """With errors that the margin knows nothing of, the shift finds the asked-for share.

    A room that arrives at band + shift - 0.6 K with 0.6 K of scatter, 300 sessions: the share
    comes within three standard errors of the asked one, its sensor's doubt aside.
    """
    rng = np.random.default_rng(5)
    ready, shift_k, held = 0, 0.0, []
    shop = workshop()
    zone = shop.site.zones[0]
    for number in range(300):
        wanted = session(number * DAY_H + 12, number * DAY_H + 15, 16.0, readiness=readiness)
        air_c = 15.5 + shift_k - 0.6 + 0.6 * rng.standard_normal()
        shop.source.add("bench-air", wanted.start_s, air_c)
        ready += air_c >= 15.5 + hidden_k(wanted)
        held = [*held[-60:], wanted]
        step = margin_shift_k(shop.source, shop.site, zone, [wanted], now_s=wanted.start_s + 3600.0)
        shift_k += step - FIRST_K
    assert ready / 300 == pytest.approx(
        readiness, abs=3 * (readiness * (1 - readiness) / 300) ** 0.5
    )


def test_a_session_without_readings_teaches_nothing(workshop, session):
    """No room air at the start: the margin stays."""
    shop = workshop()
    wanted = session(12, 15)
    zone = shop.site.zones[0]
    now_s = wanted.start_s + 3600.0
    assert margin_shift_k(shop.source, shop.site, zone, [wanted], now_s=now_s) == FIRST_K


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


def test_the_interval_is_moved_and_widened_about_the_air():
    """Low and high keep their sides, with room for the sensor's offset; how stands beside them."""
    put_right = Correction(-0.2, 1.5).of(_promise("a", 18.0, 0.4))
    assert put_right.air_c == pytest.approx(17.8)
    half_k = (0.6**2 + OFFSET_K**2) ** 0.5
    assert (put_right.low_c, put_right.high_c) == pytest.approx((17.8 - half_k, 17.8 + half_k))
    assert (put_right.learnt_k, put_right.widened) == (-0.2, 1.5)
