"""What sessions already held say of the margin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import t as student

from controller.planning.held_sessions import FARTHEST_K
from controller.planning.margin_needed import (
    EXPECTED_K,
    LEAST_K,
    MOST_K,
    PLANNED_K,
    SCATTER_K,
    SEEN_S,
    SUPPOSED,
    SUPPOSED_SCATTER,
    MarginShift,
    hidden_k,
    margin_shift,
)
from controller.records.plan import Arrival

DAY_H = 24.0
BAND_K = 0.5


def _first_k(readiness):
    """The shift before any session, by Student's distribution as scipy's statistics have it."""
    spread_k = SCATTER_K * (1.0 + 1.0 / SUPPOSED) ** 0.5
    expected_k = EXPECTED_K * ndtri(readiness)
    return student(df=SUPPOSED_SCATTER, loc=expected_k, scale=spread_k).ppf(readiness)


AT_95_K = _first_k(0.95)


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


@pytest.mark.parametrize("readiness", [0.8, 0.9, 0.95, 0.98])
def test_before_any_session_the_shift_goes_with_what_is_asked(session, readiness):
    """Student's distribution of what is supposed; about 0.7 K at 95 %."""
    found_k = MarginShift().of(session(12, 15, readiness=readiness))
    assert found_k == pytest.approx(_first_k(readiness))


def test_the_shift_is_the_quantile_of_what_comes_next(session):
    """Against draws: scatter from what is known of it, then mean, then the next session.

    The posterior of a normal distribution with a conjugate prior (Gelman, Carlin, Stern, Dunson,
    Vehtari and Rubin, Bayesian Data Analysis, third edition, section 3.3), drawn instead of solved.
    """
    asked, rng, needed_k = session(12, 15), np.random.default_rng(3), [0.4, -0.2, 0.1, 0.3, 0.0]
    shift = MarginShift(tuple(k + ndtri(0.95) * PLANNED_K for k in needed_k))
    count, mean_k = len(needed_k), float(np.mean(needed_k))
    before_k, weight = EXPECTED_K * ndtri(0.95), SUPPOSED + count
    squares = (
        SUPPOSED_SCATTER * SCATTER_K**2
        + float(np.sum((np.array(needed_k) - mean_k) ** 2))
        + SUPPOSED * count / weight * (mean_k - before_k) ** 2
    )
    scatter_k = np.sqrt(squares / rng.chisquare(SUPPOSED_SCATTER + count, 400_000))
    middle_k = (SUPPOSED * before_k + count * mean_k) / weight
    drawn_k = rng.normal(rng.normal(middle_k, scatter_k / weight**0.5), scatter_k)
    assert shift.of(asked) == pytest.approx(np.quantile(drawn_k, 0.95), abs=0.005)


def test_a_session_found_just_short_lifts_the_margin_by_little(workshop, session):
    """0.05 K too cold is made good by about as much, not by half a kelvin for weeks."""
    lifted_k = _shift_after(workshop(), session, [-BAND_K - 0.05]) - AT_95_K
    assert 0.05 < lifted_k < 0.05 + 2.0 * hidden_k(session(12, 15))


def test_one_far_off_session_fades_as_others_are_held(session):
    """A door left open: most of its kelvin at first, a tenth after thirty as expected."""
    asked = session(12, 15)
    shift = MarginShift().after(asked, 3.0)
    assert AT_95_K + 0.3 * FARTHEST_K < shift.of(asked) <= MOST_K
    for _ in range(30):
        shift = shift.after(asked, EXPECTED_K * ndtri(0.95) - shift.of(asked))
    assert shift.of(asked) < AT_95_K + 0.1 * FARTHEST_K


def test_sessions_always_found_warm_bring_it_down(workshop, session):
    """Each found a kelvin warmer than needed: by a quarter after ten, never below its bound."""
    shop = workshop()
    assert _shift_after(shop, session, [BAND_K] * 10) < 0.75 * AT_95_K
    assert LEAST_K <= _shift_after(shop, session, [BAND_K] * 30) < 0.5 * AT_95_K


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
