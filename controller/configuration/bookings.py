"""Reads the bookings file: named targets, single and weekly bookings, changed and skipped dates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import TypeVar

from controller.calendar import Booking, Bookings, Change, Hours, Once, Weekly
from controller.configuration.cross_checks import unknown_id
from controller.configuration.fields import Fields
from controller.configuration.kinds import (
    CLOCK,
    DAY,
    FLAG,
    IDENT,
    WEEKDAY,
    WEEKDAYS,
    Kind,
    Unfit,
    finite,
    number,
    text,
    whole,
)
from controller.configuration.limits import TargetSpan
from controller.configuration.problems import Spot, choices, nearest

T = TypeVar("T")

_WEEKLY_KEYS = ("weekdays", "every_weeks", "since", "until", "skip", "changes")

_CHANGE_KEYS = ("start", "end", "overnight", "target")
_CHANGE_RIGHT = f"give at least one of {', '.join(_CHANGE_KEYS)}"


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a booking must fit: the site's zones (empty where unknown) and the limits' span."""

    zones: tuple[str, ...]
    span: TargetSpan


def read_bookings(fields: Fields, around: Surroundings) -> Bookings:
    """Read the whole bookings file."""
    with fields:
        targets = _targets(fields, around.span)
        entries = fields.tables("bookings", empty=True)
    kind = _target(around.span, targets)
    found = [_booking(key, below, kind, around.zones) for key, below in entries]
    return Bookings(tuple(booking for booking in found if booking is not None), targets)


def _targets(fields: Fields, span: TargetSpan) -> dict[str, float]:
    kind = _target(span, {})
    return {
        fields.value("targets", entry.key, IDENT): fields.value(
            f"targets.{entry.key.text}", entry.value, kind
        )
        for entry in fields.entries("targets", required=False, empty=True)
    }


def _target(span: TargetSpan, names: Mapping[str, float]) -> Kind[float]:
    degrees = f"a number from {span.lowest_c:g} to {span.highest_c:g} ({span.because})"
    if math.isnan(span.lowest_c + span.highest_c):
        degrees = "a number of °C that the limits allow"
    named = f", or a name under targets ({choices(names)})" if names else ""

    def parse(given: str) -> float:
        if given in names:
            return names[given]
        if any(letter.isalpha() for letter in given):
            close = nearest(given, names)
            raise Unfit(f"no target's name (nearest: {close})" if close else "no target's name")
        target_c = finite(given)
        if target_c < span.lowest_c:
            raise Unfit("below frost protection")
        if target_c > span.highest_c:
            raise Unfit("above what the limits allow")
        return target_c

    return Kind(f"{degrees}{named}", parse, math.nan)


def _booking(
    booking_id: str, fields: Fields, target: Kind[float], zones: tuple[str, ...]
) -> Booking | None:
    with fields:
        dates = _once(fields) if fields.has("date") else _weekly(fields)
        dates_are_sound = fields.sound
        title = fields.read_or("title", text(), "")
        zone = _zone(fields, zones)
        hours = _hours(fields, None)
        target_c = fields.read("target", target)
        readiness = fields.read_or("readiness_percent", number(50, 99), 95.0) / 100.0
        changes = _changes(fields, hours, target_c, target)
    if isinstance(dates, Weekly) and dates_are_sound:
        _check_dates(fields, dates, changes)
    if hours is None or dates is None:
        return None
    return Booking(
        id=booking_id,
        zone=zone,
        hours=hours,
        dates=dates,
        target_c=target_c,
        readiness=readiness,
        title=title,
        changes={day: change for day, change, _ in changes},
    )


def _zone(fields: Fields, zones: tuple[str, ...]) -> str:
    if len(zones) == 1:
        zone = fields.read_or("zone", IDENT, zones[0])
    elif zones:
        zone = fields.read("zone", IDENT)
    else:
        zone = fields.read_or("zone", IDENT, "")
    if zone and zones and zone not in zones:
        fields.blame("zone", *unknown_id("zone", zone, zones))
    return zone


def _hours(fields: Fields, usual: Hours | None) -> Hours | None:
    """Read start, end and overnight; a changed date may leave out what stays as usual."""
    if usual is None:
        start, end = fields.read("start", CLOCK), fields.read("end", CLOCK)
        overnight = fields.read_or("overnight", FLAG, False)
    else:
        start = fields.read_or("start", CLOCK, usual.start)
        end = fields.read_or("end", CLOCK, usual.end)
        overnight = fields.read_or("overnight", FLAG, usual.overnight)
    if start is None or end is None or overnight is None:
        return None
    if end <= start and not overnight:
        fields.blame(
            "end",
            f"the end {end:%H:%M} is not after the start {start:%H:%M}",
            "give a later end, or overnight: true where it lies on the next day",
        )
        return None
    if end > start and overnight:
        fields.blame(
            "overnight",
            f"overnight is true, but the end {end:%H:%M} is after the start {start:%H:%M}",
            "write overnight: false, for a session lasts at most a day",
        )
        return None
    return Hours(start, end, overnight)


def _once(fields: Fields) -> Once | None:
    day = fields.read("date", DAY)
    for key in _WEEKLY_KEYS:
        fields.refuse(key, f"{key} is given beside date", "give date, or weekdays and what follows")
    return Once(day) if day else None


def _weekly(fields: Fields) -> Weekly | None:
    weekdays = fields.items("weekdays", WEEKDAY)
    every_weeks = fields.read_or("every_weeks", whole(1, 52), 1)
    since, until = fields.read_or("since", DAY, None), fields.read_or("until", DAY, None)
    skip = fields.items("skip", DAY, required=False)
    _refuse_repeats(fields, weekdays)
    _refuse_repeats(fields, skip)
    if every_weeks > 1 and not fields.has("since"):
        right = "give since, a date in the first week that counts"
        fields.blame("every_weeks", "every_weeks has no week to count from", right)
    if since and until and until < since:
        fields.blame("until", f"until {until} lies before since {since}", "give a later date")
        return None
    return Weekly(
        weekdays=frozenset(WEEKDAYS.index(name) for name, _ in weekdays),
        every_weeks=every_weeks,
        since=since,
        until=until,
        skip=frozenset(day for day, _ in skip if day),
    )


def _refuse_repeats(fields: Fields, items: list[tuple[T, Spot]]) -> None:
    seen: set[T] = set()
    for value, spot in items:
        if value in seen:
            fields.blame_at(spot, f"{value} is listed twice", "list it once")
        seen.add(value)


def _changes(
    fields: Fields, usual: Hours | None, usual_c: float, target: Kind[float]
) -> list[tuple[date, Change, Spot]]:
    if fields.has("date"):
        return []
    found = []
    for entry in fields.entries("changes", required=False):
        day = fields.value("changes", entry.key, DAY)
        with fields.below("changes", entry) as below:
            hours = _hours(below, usual) if usual else None
            if usual is None:
                _skim(below)
            target_c = below.read_or("target", target, usual_c)
        if below.readable and not any(below.has(key) for key in _CHANGE_KEYS):
            below.blame(None, f"the change of {entry.key.text} changes nothing", _CHANGE_RIGHT)
        if day and hours:
            found.append((day, Change(hours, target_c), entry.key.spot))
    return found


def _skim(fields: Fields) -> None:
    """Read a change of hours that are unfit themselves: only its own faults can be told."""
    for key in ("start", "end"):
        fields.read_or(key, CLOCK, None)
    fields.read_or("overnight", FLAG, None)


def _check_dates(fields: Fields, weekly: Weekly, changes: list[tuple[date, Change, Spot]]) -> None:
    """Note every skipped or changed date on which nothing is booked anyway."""
    unskipped = replace(weekly, skip=frozenset())
    if weekly.since and weekly.until and not any(unskipped.between(weekly.since, weekly.until)):
        fields.blame("until", "no date lies between since and until", "give a longer span")
        return
    right = "give a date of this booking: its weekday, week, since and until count"
    for day, spot in fields.items("skip", DAY, required=False):
        if day and not any(unskipped.between(day, day)):
            fields.blame_at(spot, f"{day} ({day:%A}) is skipped, but not booked", right)
    for day, _, spot in changes:
        if not any(unskipped.between(day, day)):
            fields.blame_at(spot, f"{day} ({day:%A}) is changed, but not booked", right)
        elif day in weekly.skip:
            fields.blame_at(spot, f"{day} is both changed and skipped", "keep one of the two")
