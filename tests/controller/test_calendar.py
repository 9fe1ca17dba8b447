"""The calendar against dateutil and against published lengths of nights with a clock change."""

from __future__ import annotations

import time as stopwatch
from datetime import UTC, date, datetime, time, timedelta

import pytest
from dateutil import rrule, tz
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.calendar import (
    Booking,
    Bookings,
    Change,
    Hours,
    Once,
    Weekly,
    sessions,
    target_c,
    to_local,
    to_utc_s,
)
from controller.records.sessions import Session

NEW_YORK = "America/New_York"
MORNING = Hours(time(9), time(12))
WEEKDAYS = (rrule.MO, rrule.TU, rrule.WE, rrule.TH, rrule.FR, rrule.SA, rrule.SU)
MO, TU, WE, FR, SU = 0, 1, 2, 4, 6


def booked(dates: Once | Weekly, hours: Hours = MORNING, **more: object) -> Booking:
    """A booking of the boat bay at 16 °C."""
    settings = {"id": "bench", "zone": "boat-bay", "target_c": 16.0} | more
    return Booking(hours=hours, dates=dates, **settings)


def expand(*bookings: Booking, time_zone: str, first: date, last: date) -> tuple[Session, ...]:
    """All sessions from the beginning of one local date to the end of another."""
    return sessions(
        Bookings(bookings, {}),
        time_zone=time_zone,
        since_s=to_utc_s(datetime.combine(first, time()), time_zone),
        until_s=to_utc_s(datetime.combine(last, time()) + timedelta(days=1), time_zone),
    )


def utc(text: str) -> float:
    """UTC seconds of an ISO time."""
    return datetime.fromisoformat(text).timestamp()


# RFC 5545, 3.8.5.3, examples; dates as reproduced with dateutil, the RFC's own lists from memory
RFC_FORTNIGHT = [
    *[(9, day) for day in (1, 3, 5, 15, 17, 19, 29)],
    *[(10, day) for day in (1, 3, 13, 15, 17, 27, 29, 31)],
    *[(11, day) for day in (10, 12, 14, 24, 26, 28)],
    *[(12, day) for day in (8, 10, 12, 22)],
]


def starts(found: tuple[Session, ...], time_zone: str) -> list[tuple[int, int]]:
    """Month and day on which each session starts."""
    local = [to_local(session.start_s, time_zone) for session in found]
    return [(moment.month, moment.day) for moment in local]


def test_every_second_week_as_in_rfc_5545() -> None:
    """Monday, Wednesday, Friday of every second week gives the RFC's 25 dates at 09:00 local."""
    weekly = Weekly(frozenset({MO, WE, FR}), 2, date(1997, 9, 1), date(1997, 12, 23))
    found = expand(
        booked(weekly), time_zone=NEW_YORK, first=date(1997, 1, 1), last=date(1998, 6, 1)
    )
    assert starts(found, NEW_YORK) == RFC_FORTNIGHT
    assert {to_local(session.start_s, NEW_YORK).hour for session in found} == {9}


def test_weekly_until_a_date_as_in_rfc_5545() -> None:
    """Every Tuesday until 24 December: 17 sessions, the offset changes, the local hour does not."""
    weekly = Weekly(frozenset({TU}), 1, date(1997, 9, 2), date(1997, 12, 24))
    found = expand(
        booked(weekly), time_zone=NEW_YORK, first=date(1997, 1, 1), last=date(1998, 6, 1)
    )
    local = [to_local(session.start_s, NEW_YORK) for session in found]
    offsets = {(m.month, m.day): m.utcoffset() for m in local}
    assert len(found) == 17
    assert starts(found, NEW_YORK)[-1] == (12, 23)
    assert {moment.hour for moment in local} == {9}
    assert offsets[10, 21] == timedelta(hours=-4)
    assert offsets[10, 28] == timedelta(hours=-5)


def test_weeks_begin_on_monday() -> None:
    """Tuesday and Sunday of every second week, as RFC 5545 gives it for weeks from Monday."""
    weekly = Weekly(frozenset({TU, SU}), 2, date(1997, 8, 5))
    found = expand(
        booked(weekly), time_zone=NEW_YORK, first=date(1997, 8, 1), last=date(1997, 8, 24)
    )
    assert starts(found, NEW_YORK) == [(8, 5), (8, 10), (8, 19), (8, 24)]


DATES = st.dates(date(2019, 1, 1), date(2032, 12, 31))


@settings(max_examples=150, deadline=None)
@given(
    weekdays=st.frozensets(st.integers(0, 6), min_size=1),
    every_weeks=st.integers(1, 6),
    since=DATES,
    span=st.integers(0, 500),
    skipped=st.frozensets(st.integers(0, 500), max_size=5),
    window=st.tuples(st.integers(-30, 600), st.integers(0, 200)),
    zone=st.sampled_from([NEW_YORK, "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu"]),
    start=st.times().map(lambda t: t.replace(second=0, microsecond=0)),
)
def test_weekly_agrees_with_dateutil(
    weekdays: frozenset[int],
    every_weeks: int,
    since: date,
    span: int,
    skipped: frozenset[int],
    window: tuple[int, int],
    zone: str,
    start: time,
) -> None:
    """Random recurrences start at the very seconds that dateutil gives, gaps and folds included."""
    until = since + timedelta(days=span)
    skip = frozenset(since + timedelta(days=days) for days in skipped)
    first = since + timedelta(days=window[0])
    last = first + timedelta(days=window[1])
    weekly = Weekly(weekdays, every_weeks, since, until, skip)
    mine = [day for day in weekly.between(first, last)]
    theirs = [
        moment
        for moment in rrule.rrule(
            rrule.WEEKLY,
            interval=every_weeks,
            wkst=rrule.MO,
            byweekday=[WEEKDAYS[day] for day in sorted(weekdays)],
            dtstart=datetime.combine(since, start),
            until=datetime.combine(until, start),
        )
        if first <= moment.date() <= last and moment.date() not in skip
    ]
    assert mine == [moment.date() for moment in theirs]
    info = tz.gettz(zone)
    assert [to_utc_s(datetime.combine(day, start), zone) for day in mine] == [
        tz.resolve_imaginary(moment.replace(tzinfo=info)).timestamp() for moment in theirs
    ]


# RFC 5545, 3.3.5 (the rule from memory), and the same rule for Berlin
GAPS_AND_FOLDS = [
    (NEW_YORK, "2007-03-11T02:30", "2007-03-11T03:30-04:00"),
    (NEW_YORK, "2007-11-04T01:30", "2007-11-04T01:30-04:00"),
    ("Europe/Berlin", "2026-03-29T02:30", "2026-03-29T01:30+00:00"),
    ("Europe/Berlin", "2026-10-25T02:30", "2026-10-25T00:30+00:00"),
]


@pytest.mark.parametrize(("zone", "wall", "moment"), GAPS_AND_FOLDS)
def test_skipped_times_move_forward_and_double_ones_are_the_first(
    zone: str, wall: str, moment: str
) -> None:
    """A wall time in a gap or a fold is the moment that RFC 5545 says."""
    assert to_utc_s(datetime.fromisoformat(wall), zone) == utc(moment)


def test_the_wall_times_own_fold_does_not_count() -> None:
    """A wall time marked as the second of two is still taken for the first."""
    wall = datetime.combine(date(2026, 10, 25), time(2, 30, fold=1))
    assert to_utc_s(wall, "Europe/Berlin") == utc("2026-10-25T00:30+00:00")


# computed with zoneinfo and tzdata 2026.6, every one from the zone's published rule
NIGHTS = [
    ("Europe/Berlin", "2026-03-28", 9.0),
    ("Europe/London", "2026-03-28", 9.0),
    ("Europe/Dublin", "2026-03-28", 9.0),
    ("Europe/Berlin", "2026-10-24", 11.0),
    ("Europe/London", "2026-10-24", 11.0),
    ("America/Denver", "2026-03-07", 9.0),
    ("Australia/Lord_Howe", "2026-04-04", 10.5),
    ("Australia/Lord_Howe", "2026-10-03", 9.5),
    ("Africa/Casablanca", "2026-02-14", 11.0),
    ("Africa/Casablanca", "2026-03-21", 9.0),
    ("Europe/Berlin", "2026-01-10", 10.0),
]


@pytest.mark.parametrize(("zone", "evening", "hours"), NIGHTS)
def test_a_night_lasts_as_long_as_it_really_does(zone: str, evening: str, hours: float) -> None:
    """22:00 to 08:00 counts elapsed hours, whatever the clocks do in between."""
    day = date.fromisoformat(evening)
    night = Hours(time(22), time(8), overnight=True)
    (session,) = expand(booked(Once(day), night), time_zone=zone, first=day, last=day)
    assert (session.end_s - session.start_s) / 3600 == hours


def test_a_morning_with_a_double_hour_is_longer() -> None:
    """Denver, 1 November 2026, 00:00 to 08:00 lasts 9 h."""
    day = date(2026, 11, 1)
    early = booked(Once(day), Hours(time(0), time(8)))
    (session,) = expand(early, time_zone="America/Denver", first=day, last=day)
    assert (session.end_s - session.start_s) / 3600 == 9.0


def test_wall_time_subtraction_would_have_been_wrong() -> None:
    """Two times of one zone subtract to wall time in Python; the session's length does not."""
    day = date(2026, 3, 28)
    night = Hours(time(22), time(8), overnight=True)
    (session,) = expand(booked(Once(day), night), time_zone="Europe/Berlin", first=day, last=day)
    start, end = (to_local(at, "Europe/Berlin") for at in (session.start_s, session.end_s))
    assert (end - start) == timedelta(hours=10)
    assert end.astimezone(UTC) - start.astimezone(UTC) == timedelta(hours=9)
    assert session.end_s - session.start_s == 9 * 3600


@pytest.mark.parametrize("absurd_s", [1e18, -1e18, 9e15, float("inf"), float("nan")])
@pytest.mark.parametrize("time_zone", [NEW_YORK, "Pacific/Kiritimati", "Etc/GMT+12"])
def test_a_moment_that_no_calendar_holds_has_a_date_all_the_same(
    absurd_s: float, time_zone: str
) -> None:
    """Of a damaged record: it must be shown, and end no command."""
    assert to_local(absurd_s, time_zone).year in (1, 9999)
    none = sessions(Bookings((), {}), time_zone=time_zone, since_s=absurd_s, until_s=absurd_s)
    assert none == ()


def test_a_start_moved_past_its_end_keeps_the_booked_length() -> None:
    """02:30 to 03:00 on the night that skips 02:00 to 03:00 becomes 03:30 to 04:00."""
    day = date(2026, 3, 29)
    short = booked(Once(day), Hours(time(2, 30), time(3)))
    (session,) = expand(short, time_zone="Europe/Berlin", first=day, last=day)
    assert session.start_s == utc("2026-03-29T03:30+02:00")
    assert session.end_s == utc("2026-03-29T04:00+02:00")


def test_a_changed_date_has_its_own_hours_and_target() -> None:
    """A change holds on its own date and nowhere else."""
    changed = Change(Hours(time(13), time(17)), 20.0)
    weekly = booked(Weekly(frozenset({MO})), changes={date(2026, 1, 12): changed})
    before, on, after = expand(
        weekly, time_zone="UTC", first=date(2026, 1, 5), last=date(2026, 1, 19)
    )
    assert (on.start_s, on.end_s) == (utc("2026-01-12T13:00+00:00"), utc("2026-01-12T17:00+00:00"))
    assert (before.target_c, on.target_c, after.target_c) == (16.0, 20.0, 16.0)
    assert after.start_s == utc("2026-01-19T09:00+00:00")


def test_session_ids_are_stable_and_carry_the_local_date() -> None:
    """An id is the booking's, an @ and the local date, also where UTC has another date."""
    night = booked(Once(date(2026, 1, 10)), Hours(time(22), time(8), overnight=True), title="Cure")
    (session,) = expand(night, time_zone=NEW_YORK, first=date(2026, 1, 10), last=date(2026, 1, 11))
    assert session.id == "bench@2026-01-10"
    assert datetime.fromtimestamp(session.start_s, UTC).date() == date(2026, 1, 11)
    assert (session.zone, session.readiness, session.title) == ("boat-bay", 0.95, "Cure")


def test_a_running_session_is_found_and_touching_ones_are_not() -> None:
    """A span finds what overlaps it; a session that ends where it begins is outside."""
    night = booked(Once(date(2026, 1, 10)), Hours(time(22), time(8), overnight=True))
    every = Bookings((night,), {})
    end_s = utc("2026-01-11T08:00+00:00")
    start_s = utc("2026-01-10T22:00+00:00")
    spans = [(end_s - 1, end_s + 1), (end_s, end_s + 1), (start_s - 1, start_s), (0.0, start_s + 1)]
    found = [
        len(sessions(every, time_zone="UTC", since_s=since, until_s=until))
        for since, until in spans
    ]
    assert found == [1, 0, 0, 1]


def test_overlaps_stay_apart_and_the_warmest_wins() -> None:
    """Two bookings that overlap remain two sessions; the target at any time is the warmer one."""
    day = date(2026, 1, 10)
    cool = booked(Once(day), Hours(time(9), time(15)))
    warm = booked(Once(day), Hours(time(12), time(18)), id="glue", target_c=20.0)
    other = booked(Once(day), Hours(time(9), time(18)), id="loft", zone="loft", target_c=25.0)
    found = expand(warm, cool, other, time_zone="UTC", first=day, last=day)
    assert [session.id.split("@")[0] for session in found] == ["bench", "loft", "glue"]
    midnight_s = utc("2026-01-10T00:00+00:00")
    targets = [target_c(found, "boat-bay", midnight_s + 3600 * hour) for hour in (8, 9, 13, 15, 18)]
    assert targets == [None, 16.0, 20.0, 20.0, None]


def test_an_old_booking_expands_at_once() -> None:
    """A daily booking since 2020 gives one week without walking the years before it."""
    daily = Weekly(frozenset(range(7)), 3, date(2020, 1, 1))
    bookings = Bookings(tuple(booked(daily, id=f"b{i}") for i in range(20)), {})
    since_s = utc("2045-01-01T00:00+00:00")
    began = stopwatch.perf_counter()
    for _ in range(10):
        sessions(bookings, time_zone=NEW_YORK, since_s=since_s, until_s=since_s + 7 * 86400)
    # about 10 ms here; walking 25 years of days for each booking takes seconds
    assert stopwatch.perf_counter() - began < 0.5


@pytest.mark.parametrize("every_weeks", [1, 2, 5])
def test_a_window_gives_the_same_as_the_whole(every_weeks: int) -> None:
    """Looking at a part of the calendar gives exactly that part of the whole."""
    weekly = Weekly(frozenset({WE, SU}), every_weeks, date(2020, 1, 1))
    whole = list(weekly.between(date(2020, 1, 1), date(2026, 1, 1)))
    part = list(weekly.between(date(2024, 2, 1), date(2024, 9, 1)))
    assert part == [day for day in whole if date(2024, 2, 1) <= day <= date(2024, 9, 1)]
    assert part
