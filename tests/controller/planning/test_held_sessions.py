"""What sessions already held say of the margin."""

from __future__ import annotations

import numpy as np
import pytest

from controller.planning.held_sessions import FIRST_K, MOST_K, STEP_K, margin_shift_k

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


def test_a_run_of_cold_sessions_is_bounded(workshop, session):
    """A heater that cannot do it must not heat for days."""
    assert _shift_after(workshop(), session, [-3.0] * 12) == MOST_K


@pytest.mark.parametrize("readiness", [0.8, 0.9, 0.95])
def test_in_the_long_run_readiness_is_what_was_asked(workshop, session, readiness):
    """With errors that the margin knows nothing of, the shift finds the asked-for share.

    A room that arrives at band + shift - 0.6 K with 0.6 K of scatter, 300 sessions: the share
    comes within three standard errors of the asked one.
    """
    rng = np.random.default_rng(5)
    ready, shift_k, held = 0, 0.0, []
    shop = workshop()
    zone = shop.site.zones[0]
    for number in range(300):
        wanted = session(number * DAY_H + 12, number * DAY_H + 15, 16.0, readiness=readiness)
        air_c = 15.5 + shift_k - 0.6 + 0.6 * rng.standard_normal()
        shop.source.add("bench-air", wanted.start_s, air_c)
        ready += air_c >= 15.5
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
