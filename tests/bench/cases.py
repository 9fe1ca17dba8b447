"""The seasons of the benchmark: kind of building, station and seed say everything."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path

from controller.calendar import to_utc_s
from controller.configuration import load_all
from controller.records.limits import Limits
from controller.records.sessions import Session
from controller.records.site import Heater, Site
from controller.rehearsal import kinds
from controller.rehearsal.building import Building
from controller.rehearsal.issued_forecast import ForecastingWorkshop
from controller.rehearsal.runner import Span
from controller.rehearsal.workshop import Workshop
from tests.bench.bookings import season
from tests.bench.weathers import PLACES, winter

KINDS = ("thin", "ordinary", "heavy", "weak")
STATIONS = tuple(PLACES)
SPREAD = 0.25
"""The description is off by up to this share in every field."""
TICK_S = 60.0
_SITE = Path(__file__).parents[2] / "config" / "site.yaml"
_FIRST_MONDAY = date(2026, 11, 9)
_START_WEEKS = 6
"""Seasons start within this many weeks, by seed."""


@dataclass(frozen=True, slots=True)
class Case:
    """One season in one building.

    ``make_building`` gives a new building in the same first state at each call; it has a
    ``forecast`` where the case was asked for with one.
    """

    name: str
    kind: str
    station: str
    seed: int
    site: Site
    heater: Heater
    limits: Limits
    sessions: tuple[Session, ...]
    span: Span
    make_building: Callable[[], Building]


def case(kind: str, station: str, seed: int, *, days: int = 84, forecast: bool) -> Case:
    """The season of a kind of building at a station; KeyError where there is no such one."""
    configuration = load_all(_SITE)
    site = _placed(configuration.site, kind, station)
    heater = site.heaters[0]
    first = _FIRST_MONDAY + timedelta(weeks=seed % _START_WEEKS)
    span = Span(_midnight_s(first, site), _midnight_s(first + timedelta(days=days), site), TICK_S)
    zone = site.zones_of(heater)[0].id
    sessions = season(zone, first=first, days=days, time_zone=site.time_zone, seed=seed)

    def make() -> Building:
        workshop = ForecastingWorkshop if forecast else Workshop
        return workshop(
            site, heater.id, winter(station), sessions,
            start_s=span.start_s, seed=seed, spread=SPREAD,
        )  # fmt: skip

    name = f"{kind} {station} {seed}"
    limits = configuration.limits
    return Case(name, kind, station, seed, site, heater, limits, sessions, span, make)


def _placed(site: Site, kind: str, station: str) -> Site:
    """The example's site as one of a kind, moved to a station."""
    place = PLACES[station]
    moved = replace(
        site,
        time_zone=place.time_zone,
        latitude_deg=place.station.latitude_deg,
        longitude_deg=place.station.longitude_deg,
    )
    return kinds.of_kind(moved, moved.heaters[0], kinds.KINDS[kind])


def _midnight_s(day: date, site: Site) -> float:
    return to_utc_s(datetime.combine(day, time()), site.time_zone)
