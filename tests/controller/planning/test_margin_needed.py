"""What sessions already held say of the margin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from controller.planning.held_sessions import FARTHEST_K
from controller.planning.margin_needed import (
    FIRST_K,
    LEAST_K,
    MOST_K,
    SCATTER_K,
    SEEN_S,
    SUPPOSED,
    MarginShift,
    hidden_k,
    margin_shift,
)
from controller.records.plan import Arrival

DAY_H = 24.0
BAND_K = 0.5

AT_95_K = FIRST_K * ndtri(0.95)


def _shift_after(shop, session, errors_k):
    """Shift after a session a day, each found this far from its target."""
    held = []
    for number, error_k in enumerate(errors_k):
        wanted = session(number * DAY_H + 12, number * DAY_H + 15, 16.0)
        for minute in range(-10, 10):
            shop.source.add("bench-air", wanted.start_s + 60.0 * minute, 16.0 + error_k)
        held.append(wanted)
    return _shift(shop, held).of(held[-1])


def _shift(shop, held):
    zone, heater = shop.site.zones[0], shop.site.heaters[0]
    now_s = held[-1].start_s + 3600.0
    return margin_shift(shop.source, shop.site, heater, zone, held, now_s=now_s)


def _beyond_k(held):
    """What 95 % asks for beyond the most that so many sessions and the supposed ones can show."""
    shown = (SUPPOSED + held) / (SUPPOSED + held + 1)
    return SCATTER_K * (ndtri(0.95) - ndtri(shown))


@pytest.mark.parametrize("readiness", [0.8, 0.9, 0.95, 0.98])
def test_before_any_session_the_shift_goes_with_what_is_asked(session, readiness):
    """So much for each standard deviation that the readiness asks for."""
    found_k = MarginShift().of(session(12, 15, readiness=readiness))
    assert found_k == pytest.approx(FIRST_K * ndtri(readiness))


def test_a_session_found_just_short_lifts_the_margin_by_little(workshop, session):
    """0.05 K too cold is made good by little more, not by half a kelvin for weeks."""
    short_k = -BAND_K - 0.05
    hidden = hidden_k(session(12, 15))
    lifted_k = _shift_after(workshop(), session, [short_k]) - AT_95_K
    assert lifted_k == pytest.approx(0.05 + hidden + _beyond_k(1))


def test_one_far_off_session_fades_as_others_are_held(session):
    """A door left open: its full kelvin at first, less than half after thirty as expected."""
    asked = session(12, 15)
    shift = MarginShift().after(asked, 3.0)
    assert shift.of(asked) == pytest.approx(min(AT_95_K + FARTHEST_K + _beyond_k(1), MOST_K))
    for _ in range(30):
        shift = shift.after(asked, AT_95_K - shift.of(asked) - 0.5)
    assert shift.of(asked) - AT_95_K < 0.5 * FARTHEST_K


def test_sessions_always_found_warm_bring_it_down(workshop, session):
    """Thirty found a kelvin warmer than needed; never below its bound."""
    after = _shift_after(workshop(), session, [BAND_K] * 30)
    assert LEAST_K <= after < AT_95_K


def test_a_run_of_cold_sessions_is_bounded(workshop, session):
    """A heater that cannot do it must not heat for days."""
    assert _shift_after(workshop(), session, [-3.0] * 12) == MOST_K


@pytest.mark.parametrize(
    ("promised_before_s", "teaches"), [(SEEN_S + 3600.0, False), (SEEN_S - 3600.0, True)]
)
def test_a_session_out_of_reach_teaches_nothing(workshop, session, promised_before_s, teaches):
    """No margin would have made it ready; what fell out of reach later may have lacked one."""
    shop, wanted = workshop(), session(12, 15, 16.0)
    told = Arrival(wanted.id, 16.0, 14.0, 13.5, 14.5, reachable=True)
    shop.source.promises[wanted.id] = [
        (wanted.start_s - promised_before_s, replace(told, reachable=False))
    ]
    shop.source.add("bench-air", wanted.start_s, 14.0)
    assert (_shift(shop, [wanted]).of(wanted) > AT_95_K) == teaches


def test_a_room_that_may_only_seem_warm_counts_as_cold(session):
    """What a sensor that reads too warm may hide: with 0.15 K of spread, 0.1 K at 95 %.

    sqrt(0.15^2 + 0.15^2) - 0.15 = 0.0621 K, times the normal distribution's 1.645.
    """
    assert hidden_k(session(12, 15, readiness=0.95)) == pytest.approx(0.1022, abs=1e-4)


@pytest.mark.parametrize("readiness", [0.8, 0.9, 0.95, 0.98])
@pytest.mark.parametrize("bias_k", [-0.3, 0.3])
def test_in_the_long_run_readiness_is_what_was_asked(session, readiness, bias_k):
    """With errors that the margin knows nothing of, the shift finds the asked-for share.

    A room that arrives at the band plus shift plus bias with 0.4 K of scatter about the asked
    quantile, 600 sessions: the share of all but the first 100, in which what was supposed still
    counts, comes within three standard errors of the asked one.
    """
    rng, asked = np.random.default_rng(5), session(12, 15, readiness=readiness)
    margin_k = 0.4 * ndtri(readiness)
    ready, shift = 0, MarginShift()
    for number in range(600):
        over_k = margin_k + shift.of(asked) - AT_95_K + bias_k + 0.4 * rng.standard_normal()
        ready += over_k >= 0.0 and number >= 100
        shift = shift.after(asked, -over_k)
    expected = pytest.approx(readiness, abs=3 * (readiness * (1 - readiness) / 500) ** 0.5)
    assert ready / 500 == expected


def test_what_was_learnt_at_one_readiness_holds_at_another(session):
    """Sessions asked for with 80 % that needed 0.3 K more: so do those asked for with 95 %."""
    lower, higher = session(12, 15, readiness=0.8), session(12, 15, readiness=0.95)
    rng, shift = np.random.default_rng(2), MarginShift()
    for _ in range(60):
        over_k = 0.35 * 0.8416 + shift.of(lower) - AT_95_K - 0.3 + 0.35 * rng.standard_normal()
        shift = shift.after(lower, -over_k)
    assert shift.of(higher) == pytest.approx(shift.of(lower), abs=0.15)


def test_a_session_without_readings_teaches_nothing(workshop, session):
    """No room air at the start: the margin stays."""
    assert _shift(workshop(), [session(12, 15)]) == MarginShift()
