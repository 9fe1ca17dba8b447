"""Every fault of a bookings file is named at its place; a sound one becomes what it says."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, time
from pathlib import Path
from typing import Any

import pytest

from controller.calendar import Change, Hours, Once, Weekly
from controller.configuration import load_all

Breaking = Callable[[str, str, str], Any]
Replace = Callable[[str, str, str], list[tuple[str, int, int]]]

FAULTS = [
    ("start: 18:30", "start: ‸18.30", "start is '18.30', not a time of day"),
    ("start: 18:30", "start: ‸1830", "not a time of day"),
    ("start: 18:30", "start: ‸18:60", "not a time of day"),
    ("start: 18:30", "start: ‸25:00", "not a time of day"),
    ("start: 18:30", "start: ‸no", "start is 'no', not a time of day"),
    ("    start: 18:30\n", "", "bookings.evenings.start is missing; give a time such as 18:30"),
    ("end: 21:30", "end: ‸24:00", "midnight is 00:00, on the next day with overnight: true"),
    ("end: 21:30", "end: ‸17:30", "the end 17:30 is not after the start 18:30"),
    ("end: 21:30", "end: ‸18:30", "or overnight: true where it lies on the next day"),
    ("    overnight: true\n", "", "the end 08:00 is not after the start 22:00"),
    ("end: 8:00", "end: 23:00", "overnight is true, but the end 23:00 is after the start 22:00"),
    ("overnight: true", "overnight: ‸yes", "a text here, neither true nor false"),
    ("since: 2026-01-05", "since: ‸2026-02-30", "no date of the calendar"),
    ("since: 2026-01-05", "since: ‸5.1.2026", "not a date"),
    ("since: 2026-01-05", "since: ‸0026-01-05", "too far away"),
    ("until: 2026-12-31", "until: ‸2025-12-31", "until 2025-12-31 lies before since 2026-01-05"),
    ("    since: 2026-01-05\n", "", "every_weeks has no week to count from"),
    ("every_weeks: 2", "every_weeks: ‸0", "a whole number from 1 to 52"),
    ("tuesday, thursday", "tuesday, ‸thirsday", "unknown (nearest: thursday)"),
    ("tuesday, thursday", "tuesday, thursday, ‸tuesday", "tuesday is listed twice"),
    ("[tuesday, thursday]", "‸tuesday", "weekdays is the single text 'tuesday'"),
    ("[tuesday, thursday]", "‸[]", "weekdays is an empty list"),
    ("    weekdays: [tuesday, thursday]\n", "", "bookings.evenings.weekdays is missing"),
    ("[2026-01-20]", "[2026-01-20, ‸2026-01-27]", "2026-01-27 (Tuesday) is skipped, but not"),
    ("[2026-01-20]", "[2026-01-20, ‸2026-01-21]", "2026-01-21 (Wednesday) is skipped, but not"),
    ("[2026-01-20]", "[2026-01-20, ‸2026-01-20]", "2026-01-20 is listed twice"),
    ("[2026-01-20]", "[2026-01-20, ‸2027-01-05]", "2027-01-05 (Tuesday) is skipped, but not"),
    ("      2026-01-22:", "      ‸2026-01-23:", "2026-01-23 (Friday) is changed, but not booked"),
    ("      2026-01-22:", "      ‸2026-01-20:", "2026-01-20 is both changed and skipped"),
    ("      2026-01-22:", "      ‸tomorrow:", "changes is 'tomorrow', not a date"),
    ("start: 17:00,", "end: ‸18:00,", "the end 18:00 is not after the start 18:30"),
    ("target: 18}", "target: ‸30}", "above what the limits allow"),
    ("target: 18}", "zone: hall}", "unknown key 'zone' in bookings.evenings.changes.2026-01-22"),
    ("{start: 17:00, target: 18}", "‸18", "is the single text '18'"),
    ("      2026-01-22: {start: 17:00, target: 18}", "      ‸2026-01-22: {}", "changes nothing"),
    ("until: 2026-12-31", "until: ‸2026-01-05", "no date lies between since and until"),
    ("target: 20.5", "target: ‸27.5", "a number from 7 to 27 (surface_session_max_c 29 - 2)"),
    ("target: 20.5", "target: ‸6.9", "below frost protection"),
    ("target: 20.5", "target: ‸bench-wrok", "no target's name (nearest: bench-work)"),
    ("target: 20.5", "target: ‸nan", "no target's name"),
    ("target: 20.5", "target: ‸20,5", "a comma where a point belongs"),
    ("bench-work: 16", "bench-work: ‸41", "targets.bench-work is '41', above what the limits"),
    ("bench-work: 16", "bench-work: 16\n  ‸Bad_Name: 16", "no id"),
    (
        "target: 20.5",
        "target: 20.5\n    zone: ‸hal",
        "called 'hal'; the nearest is hall",
    ),
    ("target: 20.5", "target: 20\n    readiness_percent: ‸100", "a number from 50 to 99"),
    ("target: 20.5", "target: 20\n    ‸skip: [2026-02-07]", "skip is given beside date"),
    ("target: 20.5", "target: 20\n    ‸weekdays: [monday]", "weekdays is given beside date"),
    ('"2026-02-07"', "‸2026-13-01", "no date of the calendar"),
    ("  open-day:", "  ‸evenings:", "the key 'evenings' was already given on line 4"),
    ("bookings:", "bookings: ‸[]\nboking:", "bookings is a list"),
    ('    date: "2026-02-07"\n', "", "bookings.open-day.weekdays is missing; give a list"),
]


@pytest.mark.parametrize(("old", "new", "words"), FAULTS)
def test_a_fault_is_named_at_its_place(broken: Breaking, old: str, new: str, words: str) -> None:
    """The first problem is the fault, where it is marked, in words that say what would be right."""
    found = broken("bookings", old, new)
    assert words in str(found.problems[0]), [str(problem) for problem in found.problems]
    assert found.places[: len(found.marked)] == found.marked
    # the last key of two edits stays behind as an unknown one
    assert len(found.problems) == 1 + ("boking" in new)


def test_each_problem_is_wrong_then_right(broken: Breaking) -> None:
    """A problem reads ``file:line:column: what is wrong; what would be right``."""
    (problem,) = broken("bookings", "start: 18:30", "start: 18:3O").problems
    assert str(problem) == (
        f"{problem.file}:9:12: bookings.evenings.start is '18:3O', not a time of day; "
        "it must be a time such as 18:30, from 00:00 to 23:59"
    )


def test_a_mistyped_overnight_is_two_faults(broken: Breaking) -> None:
    """The unknown key is named with the nearest known one, and the end is before the start."""
    found = broken("bookings", "    overnight: true", "    ‸overnite: true")
    assert [p.right for p in found.problems] == [
        "give a later end, or overnight: true where it lies on the next day",
        "the nearest known key is overnight",
    ]
    assert found.places == [("bookings.yaml", 18, 10), *found.marked]


def test_a_target_answers_to_the_limits_of_the_site(broken: Breaking, replace: Replace) -> None:
    """A tighter slab limit lowers what may be booked, by number and by name."""
    marked = replace("limits", "slab_max_c: 40", "slab_max_c: 20")
    found = broken("bookings", "bench-work: 16", "bench-work: ‸16")
    assert not marked
    assert found.places == [("bookings.yaml", 2, 15), *found.places[1:]]
    assert len(found.problems) == 3
    assert all("(slab_max_c 20 - 5)" in problem.right for problem in found.problems)


def test_a_weekly_booking_becomes_what_it_says(folder: Path) -> None:
    """Weekdays, weeks, span, skipped and changed dates arrive; a change keeps what it omits."""
    booking, _ = load_all(folder / "site.yaml").bookings.bookings
    assert booking.dates == Weekly(
        frozenset({1, 3}), 2, date(2026, 1, 5), date(2026, 12, 31), frozenset({date(2026, 1, 20)})
    )
    assert booking.hours == Hours(time(18, 30), time(21, 30))
    assert (booking.zone, booking.target_c, booking.readiness) == ("hall", 16.0, 0.95)
    assert booking.changes == {date(2026, 1, 22): Change(Hours(time(17), time(21, 30)), 18.0)}


def test_a_single_booking_becomes_what_it_says(folder: Path) -> None:
    """A quoted date, a one-digit hour and an end on the next day are understood."""
    _, booking = load_all(folder / "site.yaml").bookings.bookings
    assert booking.dates == Once(date(2026, 2, 7))
    assert booking.hours == Hours(time(22), time(8), overnight=True)
    assert booking.target_c == 20.5


def test_a_quoted_and_an_unquoted_date_are_the_same(folder: Path, replace: Replace) -> None:
    """YAML's plain dates and quoted text both work."""
    before = load_all(folder / "site.yaml").bookings
    replace("bookings", '"2026-02-07"', "2026-02-07")
    replace("bookings", "since: 2026-01-05", "since: '2026-01-05'")
    assert load_all(folder / "site.yaml").bookings == before


def test_an_empty_calendar_is_said_by_braces(folder: Path, broken: Breaking) -> None:
    """No bookings at all is ``bookings: {}``; a key without a value is a slip."""
    path = folder / "bookings.yaml"
    path.write_text("bookings: {}\n")
    assert load_all(folder / "site.yaml").bookings.bookings == ()
    (problem,) = broken("bookings", "{}", "").problems
    assert problem.wrong == "bookings is without a value"
