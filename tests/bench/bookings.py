"""A season of bookings as an owner of an occasionally used workshop would make them, by seed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np

from controller.calendar import to_utc_s
from controller.records.sessions import Session

TARGETS_C = (16.0, 21.0)
_DAYS_AWAY = 14
_FIRST_WEEK_AWAY, _LAST_WEEK_AWAY = 3, 7
"""Weeks of the season in which the owner may leave."""


@dataclass(frozen=True, slots=True)
class Slot:
    """A session within a week: day (Monday 0), hours of the day, share of weeks it is booked."""

    day: int
    start_h: float
    end_h: float
    share: float


_WEEKS: tuple[tuple[Slot, ...], ...] = (
    # one evening, the Saturday, often the Sunday or a weekday
    (Slot(1, 18.5, 21.5, 0.95), Slot(5, 9.0, 17.0, 0.95), Slot(6, 10.0, 16.0, 0.6),
     Slot(3, 8.0, 16.0, 0.6)),
    # evenings and two-day weekends
    (Slot(2, 19.0, 22.0, 0.9), Slot(4, 17.0, 21.0, 0.65), Slot(5, 10.0, 18.0, 0.9),
     Slot(6, 10.0, 17.0, 0.75)),
    # some weekdays from the morning on, and a weekend day
    (Slot(0, 8.0, 16.5, 0.8), Slot(2, 8.0, 16.5, 0.75), Slot(3, 18.0, 21.0, 0.65),
     Slot(6, 9.5, 15.0, 0.85)),
    # a working week's end and an evening group
    (Slot(3, 13.0, 18.0, 0.75), Slot(4, 8.5, 17.0, 0.8), Slot(1, 19.0, 21.5, 0.85),
     Slot(5, 9.0, 13.0, 0.65)),
)  # fmt: skip


def season(zone: str, *, first: date, days: int, time_zone: str, seed: int) -> tuple[Session, ...]:
    """Two to four sessions in most weeks, and two weeks away once.

    Starts shift by quarters of an hour and targets by half kelvins; both follow the seed alone.
    """
    rng = np.random.default_rng([seed, 3301])
    week = _WEEKS[seed % len(_WEEKS)]
    usual_c = float(rng.integers(34, 41)) / 2.0
    away = 7 * int(rng.integers(_FIRST_WEEK_AWAY, _LAST_WEEK_AWAY + 1)) + int(rng.integers(0, 7))
    booked = []
    for number in range(days):
        day = first + timedelta(days=number)
        for slot in week:
            drawn, shift, warmer = rng.random(), rng.integers(-2, 3), rng.integers(-2, 3)
            is_away = away <= number < away + _DAYS_AWAY
            if slot.day != day.weekday() or drawn >= slot.share or is_away:
                continue
            start_s = _utc_s(day, slot.start_h + 0.25 * float(shift), time_zone)
            end_s = _utc_s(day, slot.end_h, time_zone)
            target_c = float(np.clip(usual_c + 0.5 * float(warmer), *TARGETS_C))
            name = f"slot-{slot.day}@{day.isoformat()}"
            booked.append(Session(name, zone, start_s, end_s, target_c))
    return tuple(sorted(booked, key=lambda session: session.start_s))


def _utc_s(day: date, hour: float, time_zone: str) -> float:
    wall = datetime.combine(day, time()) + timedelta(hours=hour)
    return to_utc_s(wall, time_zone)
