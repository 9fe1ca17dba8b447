"""Bookings and the sessions they stand for.

Bookings are local wall time; sessions are UTC seconds. The way from one to the other is here and
nowhere else. A wall time that a change of clocks skips moves forward by what was skipped; one that
occurs twice means the first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from controller.records.sessions import Session

_DAY = timedelta(days=1)
_WEEK = timedelta(weeks=1)

_LONGEST_SESSION = 3 * _DAY
"""A session lasts at most a day of wall time; clocks have been changed by as much as a day."""

_EARLIEST_S, _LATEST_S = -62_135_000_000.0, 253_402_000_000.0
"""Within the first and the last week that Python's calendar holds, in every time zone [UTC s]."""


@dataclass(frozen=True, slots=True)
class Hours:
    """Wall time of a session: from ``start`` to ``end``, on the next day where ``overnight``."""

    start: time
    end: time
    overnight: bool = False


@dataclass(frozen=True, slots=True)
class Once:
    """A single date."""

    day: date

    def between(self, first: date, last: date) -> Iterator[date]:
        """Give the date if it lies within ``first`` to ``last``, both included."""
        if first <= self.day <= last:
            yield self.day


@dataclass(frozen=True, slots=True)
class Weekly:
    """The same weekdays in every nth week.

    Attributes
    ----------
    weekdays : frozenset of int
        0 is Monday, as in ``date.weekday``.
    every_weeks : int
        1 is every week. Weeks begin on Monday and are counted from the week of ``since``.
    since, until : date, optional
        First and last date that count, both included. ``since`` is needed where ``every_weeks``
        is above 1.
    skip : frozenset of date
        Dates left out.
    """

    weekdays: frozenset[int]
    every_weeks: int = 1
    since: date | None = None
    until: date | None = None
    skip: frozenset[date] = frozenset()

    def between(self, first: date, last: date) -> Iterator[date]:
        """Give every date within ``first`` to ``last``, both included, in order."""
        first = max(first, self.since or first)
        last = min(last, self.until or last)
        monday = self._first_week(_monday(first))
        while monday <= last:
            for weekday in sorted(self.weekdays):
                day = monday + weekday * _DAY
                if first <= day <= last and day not in self.skip:
                    yield day
            monday += self.every_weeks * _WEEK

    def _first_week(self, monday: date) -> date:
        """The first week of the pattern that does not lie before ``monday``."""
        if self.since is None:
            return monday
        weeks = (monday - _monday(self.since)) // _WEEK
        return monday + (-weeks % self.every_weeks) * _WEEK


@dataclass(frozen=True, slots=True)
class Change:
    """What holds on one date in place of the booking's own hours and target [°C]."""

    hours: Hours
    target_c: float


@dataclass(frozen=True, slots=True)
class Booking:
    """One entry of the bookings file: when, where, how warm [°C], how surely [0..1]."""

    id: str
    zone: str
    hours: Hours
    dates: Once | Weekly
    target_c: float
    readiness: float = 0.95
    title: str = ""
    changes: Mapping[date, Change] | None = None

    def on(self, day: date) -> Change:
        """Hours and target that hold on one date."""
        return (self.changes or {}).get(day, Change(self.hours, self.target_c))


@dataclass(frozen=True, slots=True)
class Bookings:
    """Everything the bookings file says. ``targets`` are the owner's own names [°C]."""

    bookings: tuple[Booking, ...]
    targets: Mapping[str, float]


def to_utc_s(wall: datetime, time_zone: str) -> float:
    """Give the UTC seconds of a local wall time.

    Parameters
    ----------
    wall : datetime
        Without a time zone of its own. Where clocks skip it, it moves forward by what was
        skipped; where it occurs twice, the first is meant.
    time_zone : str
        IANA name.

    Returns
    -------
    float
        Seconds since 1970-01-01 UTC [s].
    """
    # fold=0 uses the offset before the change, in a gap as in a fold: exactly the rule above.
    # timestamp() counts from UTC; subtracting two times of one zone would count wall time.
    return wall.replace(tzinfo=ZoneInfo(time_zone), fold=0).timestamp()


def to_local(utc_s: float, time_zone: str) -> datetime:
    """Give the local time, aware of its zone, of a moment in UTC seconds.

    For one that no calendar holds, as a damaged record may have, its nearest end.
    """
    within_s = min(max(_EARLIEST_S, utc_s), _LATEST_S)
    return datetime.fromtimestamp(within_s, ZoneInfo(time_zone))


def sessions(
    bookings: Bookings, *, time_zone: str, since_s: float, until_s: float
) -> tuple[Session, ...]:
    """Give every session that overlaps a span of time.

    Parameters
    ----------
    bookings : Bookings
    time_zone : str
        IANA name of the zone that the bookings' wall times are meant in.
    since_s, until_s : float
        The span [UTC s]; a session that ends at its beginning or begins at its end is outside.

    Returns
    -------
    tuple of Session
        By start time; overlapping ones are kept apart.
    """
    first = to_local(since_s, time_zone).date() - _LONGEST_SESSION
    last = to_local(until_s, time_zone).date()
    found = [
        session
        for booking in bookings.bookings
        for day in booking.dates.between(first, last)
        if (session := _session(booking, day, time_zone)).end_s > since_s
        and session.start_s < until_s
    ]
    return tuple(sorted(found, key=lambda session: (session.start_s, session.id)))


def target_c(running: Iterable[Session], zone: str, at_s: float) -> float | None:
    """Give the warmest target of a zone's sessions that run at one moment.

    Parameters
    ----------
    running : iterable of Session
        Any sessions; those of other zones and other times are passed over.
    zone : str
    at_s : float
        The moment [UTC s]; a session runs from its start up to, not including, its end.

    Returns
    -------
    float or None
        Target [°C], None where no session runs.
    """
    return max(
        (s.target_c for s in running if s.zone == zone and s.start_s <= at_s < s.end_s),
        default=None,
    )


def _session(booking: Booking, day: date, time_zone: str) -> Session:
    held = booking.on(day)
    start = datetime.combine(day, held.hours.start)
    end = datetime.combine(day + held.hours.overnight * _DAY, held.hours.end)
    start_s, end_s = to_utc_s(start, time_zone), to_utc_s(end, time_zone)
    if end_s <= start_s:
        # only the start was skipped and moved past the end: keep the length that was booked
        end_s = start_s + (end - start).total_seconds()
    return Session(
        id=f"{booking.id}@{day.isoformat()}",
        zone=booking.zone,
        start_s=start_s,
        end_s=end_s,
        target_c=held.target_c,
        readiness=booking.readiness,
        title=booking.title,
    )


def _monday(day: date) -> date:
    return day - day.weekday() * _DAY
