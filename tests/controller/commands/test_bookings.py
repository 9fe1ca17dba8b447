"""``slabtide bookings``."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from controller.calendar import Once
from controller.commands import bookings
from controller.configuration import Configuration
from controller.local_time import LocalTime
from controller.records.plan import Plan
from controller.store import Writer

NOW_S = LocalTime("Europe/Oslo").parse("2026-11-27 21:30", now_s=0.0)


def test_lists_what_is_booked(
    configuration: Configuration, capsys: pytest.CaptureFixture[str]
) -> None:
    """Local time, length, target and readiness; an overnight one names its end's day."""
    bookings.answer(configuration, 7, now_s=NOW_S)
    told = capsys.readouterr().out.splitlines()
    assert told[0] == "Booked until Fri 04 Dec 21:30 (Europe/Oslo):"
    assert told[1] == (
        "  sat@2026-11-28 (Sat 09:00) to 13:00, 4 h  boat-bay  20.0 °C, ready with 95 %"
        "  keel varnish"
    )
    assert told[-1] == (
        "  kiln@2026-12-01 (Tue 22:00) to Wed 02 Dec 06:00, 8 h  boat-bay  18.0 °C, ready with 95 %"
    )


def test_overlaps_are_marked_on_both(
    configuration: Configuration, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each of two overlapping sessions names the other."""
    bookings.answer(configuration, 2, now_s=NOW_S)
    told = capsys.readouterr().out
    assert "overlaps with noon@2026-11-28 (Sat 12:00), 16.0 °C: the warmer target counts" in told
    assert "overlaps with sat@2026-11-28 (Sat 09:00), 20.0 °C: the warmer target counts" in told


def test_length_is_elapsed_time(
    configuration: Configuration, capsys: pytest.CaptureFixture[str]
) -> None:
    """A session over the night on which clocks go back lasts an hour longer than its clock."""
    kiln = configuration.bookings.bookings[2]
    night = replace(kiln, dates=Once(date(2026, 10, 24)))
    changed = replace(configuration, bookings=replace(configuration.bookings, bookings=(night,)))
    bookings.answer(changed, 14, now_s=NOW_S - 35 * 86_400.0)
    assert "(Sat 22:00) to Sun 25 Oct 06:00, 9 h" in capsys.readouterr().out


def test_expected_arrival_comes_from_the_plan(
    configuration: Configuration,
    writer: Writer,
    timetable: Plan,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A session that the latest plan holds says what it will find; the others do not."""
    writer.add_plan(timetable)
    bookings.answer(configuration, 7, now_s=NOW_S)
    told = capsys.readouterr().out
    assert told.count("expected at its start") == 1
    assert "20.1 °C expected at its start (80 % between 19.4 and 20.8 °C)" in told


def test_shortfall_is_told(
    configuration: Configuration,
    writer: Writer,
    timetable: Plan,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What cannot be reached in time is marked, with the time at which it would be."""
    outlook = timetable.outlooks[0]
    late = replace(outlook.arrivals[0], reachable=False, air_c=17.0, reached_s=NOW_S + 54_000.0)
    writer.add_plan(replace(timetable, outlooks=(replace(outlook, arrivals=(late,)),)))
    bookings.answer(configuration, 7, now_s=NOW_S)
    told = capsys.readouterr().out
    assert "NOT IN TIME: 17.0 °C expected" in told
    assert "the target would be reached at Sat 28 Nov 12:30" in told


def test_a_changed_booking_has_no_stale_arrival(
    configuration: Configuration,
    writer: Writer,
    timetable: Plan,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A plan made for another target of the same session says nothing about this one."""
    sessions = (replace(timetable.sessions[0], target_c=16.0),)
    writer.add_plan(replace(timetable, sessions=sessions))
    bookings.answer(configuration, 7, now_s=NOW_S)
    assert "expected at its start" not in capsys.readouterr().out


def test_a_running_session_says_so(
    configuration: Configuration, capsys: pytest.CaptureFixture[str]
) -> None:
    """The session of this moment is listed and marked."""
    bookings.answer(configuration, 1, now_s=NOW_S + 12 * 3600.0)
    assert "keel varnish  runs now" in capsys.readouterr().out


def test_nothing_booked_is_said(
    configuration: Configuration, capsys: pytest.CaptureFixture[str]
) -> None:
    """An empty calendar gives a sentence."""
    empty = replace(configuration, bookings=replace(configuration.bookings, bookings=()))
    bookings.answer(empty, 3, now_s=NOW_S)
    assert capsys.readouterr().out == "Nothing is booked until Mon 30 Nov 21:30.\n"
