"""How far above its band a session's room is aimed, and what it is worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.planning.history import Grid
from controller.planning.late_heat import LateHeat
from controller.planning.wishes_ahead import (
    FROST_MARGIN_K,
    margins_k,
    ready_c,
    session_borders,
    session_wish,
    start_margin_k,
)
from controller.planning.zone_state import Spread
from controller.records.limits import Limits

GRID = Grid(1_768_176_000.0, 900.0, 4 * 60)


def _spread(sd_k_at_48_h=1.5):
    """Errors that grow evenly with the lead."""
    grown_k = np.linspace(0.3, sd_k_at_48_h * 60.0 / 48.0, GRID.count + 1)
    return Spread(np.zeros(GRID.count + 1), grown_k)


def _margin_k(session, *, late=None, spread=None):
    return start_margin_k(session, GRID, spread or _spread(), late or LateHeat())


@pytest.mark.parametrize("readiness", [0.8, 0.9, 0.95, 0.98])
def test_the_margin_grows_with_the_lead(session, readiness):
    """The same session wants more two days ahead than three hours ahead."""
    far, near = (replace(session(at, at + 4), readiness=readiness) for at in (48, 3))
    assert _margin_k(far) > 2.0 * _margin_k(near) > 0.0


def test_the_margin_grows_with_the_readiness_asked_for(session):
    """80, 90, 95 and 98 %: each asks for more than the one before."""
    wanted = session(24, 28)
    margins = [_margin_k(replace(wanted, readiness=share)) for share in (0.8, 0.9, 0.95, 0.98)]
    assert margins == sorted(margins)
    assert margins[0] < margins[-1]


def test_even_odds_ask_for_no_margin(session):
    """A session that may as well be cold is aimed at its band itself, in it too."""
    wanted = replace(session(24, 28), readiness=0.5)
    assert _margin_k(wanted) == pytest.approx(0.0)
    assert margins_k(wanted, GRID, _spread()) == pytest.approx(0.0)


def test_a_long_preheat_at_full_power_asks_for_more(session):
    """Nothing can be made good in twelve hours instead of two, and the rise is not known to all."""
    wanted = session(24, 28)
    longer, hotter = LateHeat(12 * 3600.0), LateHeat(12 * 3600.0, rise_k=12.0)
    assert _margin_k(wanted) < _margin_k(wanted, late=longer) < _margin_k(wanted, late=hotter)


def test_what_the_parameters_leave_open_comes_with_the_heat(session):
    """The spread of parameters that arises within the late span cannot be made good either.

    It grows in the last six hours alone, from 0 to 1 K; rest is 0: 95 % are 1.645 K, or three
    quarters of it where later plans still see it come.
    """
    wanted = session(24, 28)
    parameters_k = np.interp(np.arange(GRID.count + 1), [72, 96], [0.0, 1.0])
    spread = Spread(parameters_k, np.zeros(GRID.count + 1))
    seen = _margin_k(wanted, late=LateHeat(0.0), spread=spread)
    unseen = _margin_k(wanted, late=LateHeat(6 * 3600.0), spread=spread)
    assert (seen, unseen) == pytest.approx((0.75 * 1.645, 1.645), abs=1e-3)


def test_outside_sessions_only_the_frost_floor_is_wanted(session):
    """Frost floor before, band with margin inside, frost floor after."""
    wanted, limits = session(24, 28), Limits()
    wish = session_wish(limits, (wanted,), GRID, _spread())
    first, last = session_borders(wanted, GRID)
    floor_c = limits.frost_on_c + FROST_MARGIN_K
    assert (wish.lower_c[:first] == floor_c).all()
    assert (wish.lower_c[last + 1 :] == floor_c).all()
    assert (wish.lower_c[first : last + 1] > ready_c(wanted)).all()


def test_a_start_is_worth_more_than_any_hour_inside(session):
    """Being warm when people come in comes first."""
    wanted = session(24, 28)
    wish = session_wish(Limits(), (wanted,), GRID, None)
    first, last = session_borders(wanted, GRID)
    assert wish.hours_per_k_h[first] > 5.0 * wish.hours_per_k_h[first + 1 : last + 1].max()
