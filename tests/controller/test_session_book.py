"""The session book: the right sessions for each heater, expanded only when it may matter."""

from __future__ import annotations

from dataclasses import replace
from datetime import time
from pathlib import Path
from typing import Any

import pytest

from controller import session_book
from controller.calendar import Booking, Bookings, Hours, Weekly
from controller.configuration import Configuration
from controller.records.instant import Instant
from controller.session_book import ANEW_S, SessionBook
from tests.controller.builders import HOUR_S, START, later, make_configuration, two_heater_site

DAILY = Weekly(frozenset(range(7)))
MORNING = Hours(time(9), time(12))


@pytest.fixture
def configuration(tmp_path: Path) -> Configuration:
    """Each bay booked every morning, in wall time of Berlin."""
    booked = tuple(Booking(f"{z}-daily", z, MORNING, DAILY, 18.0) for z in ("bay", "loft"))
    return make_configuration(tmp_path, two_heater_site(), bookings=Bookings(booked, {}))


@pytest.fixture
def expansions(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The times at which bookings were expanded."""
    times: list[float] = []

    def count(bookings: Bookings, **span: Any) -> Any:
        times.append(span["since_s"])
        return real(bookings, **span)

    real = session_book.sessions
    monkeypatch.setattr(session_book, "sessions", count)
    return times


def test_each_heater_has_the_sessions_of_its_zones(configuration: Configuration) -> None:
    """Nine days ahead, by start, of its own zones alone."""
    book = SessionBook()
    for heater, zone in zip(configuration.site.heaters, ("bay", "loft"), strict=True):
        found = book.of(heater, configuration, START)
        assert {s.zone for s in found} == {zone}
        assert len(found) == 9  # each morning, from this one on
        assert list(found) == sorted(found, key=lambda s: s.start_s)


def test_a_running_session_stays_until_its_end(configuration: Configuration) -> None:
    """A session is there while it runs, and gone when it has ended."""
    heater = configuration.site.heaters[0]
    book = SessionBook()
    first = book.of(heater, configuration, START)[0]
    end = later(first.end_s - START.utc_s)
    assert first in book.of(heater, configuration, later(first.end_s - START.utc_s - 1.0))
    assert first not in book.of(heater, configuration, end)


def test_bookings_are_expanded_now_and_then(
    configuration: Configuration, expansions: list[float]
) -> None:
    """Ticks share one expansion for a quarter of an hour."""
    book, heater = SessionBook(), configuration.site.heaters[0]
    for seconds in range(0, int(ANEW_S), 10):
        book.of(heater, configuration, later(seconds))
    assert len(expansions) == 1
    book.of(heater, configuration, later(ANEW_S))
    assert len(expansions) == 2


@pytest.mark.parametrize("step_s", [-60.0, -30 * 24 * HOUR_S, 30 * 24 * HOUR_S])
def test_a_clock_that_was_set_expands_anew(
    configuration: Configuration, expansions: list[float], step_s: float
) -> None:
    """After a step of the wall clock the sessions are those of the new time."""
    book, heater = SessionBook(), configuration.site.heaters[0]
    book.of(heater, configuration, START)
    moved = Instant(START.utc_s + step_s, START.mono_s + 10.0)
    assert book.of(heater, configuration, moved)[0].end_s > moved.utc_s
    assert len(expansions) == 2


def test_edited_bookings_are_in_force_at_once(configuration: Configuration) -> None:
    """Another configuration is expanded at its first tick."""
    book, heater = SessionBook(), configuration.site.heaters[0]
    assert book.of(heater, configuration, START)
    edited = replace(configuration, bookings=Bookings((), {}))
    assert book.of(heater, edited, later(10.0)) == ()


def test_sessions_that_cannot_be_made_leave_none_of_an_older_file(
    configuration: Configuration, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A booking that was taken out must not be heated for because the new file fails."""
    book, boiler = SessionBook(), configuration.site.heaters[0]
    assert book.of(boiler, configuration, START)
    cancelled = replace(configuration, bookings=Bookings((), {}))

    def fail(bookings: Bookings, **span: Any) -> Any:
        raise OverflowError("date value out of range")

    monkeypatch.setattr(session_book, "sessions", fail)
    for seconds in (0.0, 10.0):
        with pytest.raises(OverflowError):
            book.of(boiler, cancelled, later(seconds))
