"""How far above its band a session's room is aimed, and what it is worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.planning.history import Grid
from controller.planning.wishes_ahead import (
    FROST_MARGIN_K,
    margins_k,
    ready_c,
    session_borders,
    session_wish,
)
from controller.planning.zone_state import Spread
from controller.records.limits import Limits

GRID = Grid(1_768_176_000.0, 900.0, 4 * 60)


def _spread(sd_k_at_48_h=1.5):
    """Errors that grow evenly with the lead."""
    grown_k = np.linspace(0.3, sd_k_at_48_h * 60.0 / 48.0, GRID.count + 1)
    return Spread(np.zeros(GRID.count + 1), grown_k)


@pytest.mark.parametrize("readiness", [0.8, 0.9, 0.95, 0.98])
def test_the_margin_grows_with_the_lead(session, readiness):
    """The same session wants more two days ahead than three hours ahead."""
    far, near = session(48, 52), session(3, 7)
    far, near = (replace(each, readiness=readiness) for each in (far, near))
    first = {each.id: session_borders(each, GRID)[0] for each in (far, near)}
    wide_k = margins_k(far, GRID, _spread())[first[far.id]]
    close_k = margins_k(near, GRID, _spread())[first[near.id]]
    assert wide_k > 2.0 * close_k > 0.0


def test_the_margin_grows_with_the_readiness_asked_for(session):
    """80, 90, 95 and 98 %: each asks for more than the one before."""
    wanted = session(24, 28)
    first = session_borders(wanted, GRID)[0]
    margins = [
        margins_k(replace(wanted, readiness=readiness), GRID, _spread())[first]
        for readiness in (0.8, 0.9, 0.95, 0.98)
    ]
    assert margins == sorted(margins)
    assert margins[0] < margins[-1]


def test_even_odds_ask_for_no_margin(session):
    """A session that may as well be cold is aimed at its band itself."""
    wanted = replace(session(24, 28), readiness=0.5)
    assert margins_k(wanted, GRID, _spread()) == pytest.approx(0.0)


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
