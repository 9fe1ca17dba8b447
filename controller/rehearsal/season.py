"""A whole rehearsal: the controller on its building, the other methods on theirs, one scorecard."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial

from controller.local_time import LocalTime
from controller.records.plan import Rung
from controller.records.sessions import Session
from controller.records.site import ZONE_ROLES, Heater, Role, Site
from controller.rehearsal.building import (
    BookedTime,
    Building,
    BuildingError,
    Factory,
    sensed_by,
    value_for,
)
from controller.rehearsal.controller_driver import ControllerDriver, Rehearsed
from controller.rehearsal.diary import Diary
from controller.rehearsal.heard_forecast import forecast_news
from controller.rehearsal.issued_forecast import ForecastingWorkshop
from controller.rehearsal.others import METHODS
from controller.rehearsal.runner import Span, run
from controller.rehearsal.score import Scorecard, Totals, score_sessions, total
from controller.rehearsal.weather import Weather
from controller.rehearsal.workshop import Workshop

OWN_NAME = "slabtide"
WORKSHOP = "the virtual workshop"
_OTHERS_TICK_S = 60.0
WORTH_SAYING_PERCENT = 0.1

Progress = Callable[[str, float], None]
"""Told the method and the share of it done [0..1]."""


@dataclass(frozen=True, slots=True)
class Order:
    """What to rehearse and where.

    Attributes
    ----------
    rehearsed : Rehearsed
    span : Span
    make_building : callable
        A new building in the same first state at each call.
    spec : str
        How messages name the building.
    with_others : bool
        Whether the other methods are run as well.
    """

    rehearsed: Rehearsed
    span: Span
    make_building: Callable[[], Building]
    spec: str
    with_others: bool


def workshop_maker(
    rehearsed: Rehearsed,
    weather: Weather,
    *,
    start_s: float,
    seed: int,
    spread: float,
    with_forecast: bool = False,
) -> Callable[[], Building]:
    """The project's own workshop, built from the site's description."""
    made = ForecastingWorkshop if with_forecast else Workshop

    def make() -> Building:
        return made(
            rehearsed.site,
            rehearsed.heater.id,
            weather,
            rehearsed.sessions,
            start_s=start_s,
            seed=seed,
            spread=spread,
        )

    return make


def outside_maker(
    factory: Factory, sessions: Sequence[Session], *, start_s: float
) -> Callable[[], Building]:
    """A building from outside the project, told of the sessions in UTC."""
    booked: list[BookedTime] = [
        (_utc(session.start_s), _utc(session.end_s), session.target_c) for session in sessions
    ]

    def make() -> Building:
        return factory(_utc(start_s), list(booked))

    return make


def _utc(moment_s: float) -> datetime:
    return datetime.fromtimestamp(moment_s, tz=UTC)


def fitted_site(site: Site, heater: Heater, building: Building, *, spec: str) -> Site:
    """The site with only those sensors that the building has.

    Raises
    ------
    BuildingError
        Where slab or air of a zone is missing, or it is not clear whose they are.
    """
    values = sensed_by(building, spec=spec)
    zones = site.zones_of(heater)
    for zone in zones:
        for role in (Role.SLAB, Role.AIR):
            if value_for(values, role, zone.id) is None:
                raise BuildingError(f"{spec}: sense() gives no {role.value} for zone {zone.id}")
    bare = [role.value for role in sorted(ZONE_ROLES) if role.value in values]
    if bare and len(zones) > 1:
        raise BuildingError(
            f"{spec}: sense() gives {bare[0]!r}, but heater {heater.id} serves several zones; "
            f"right would be {bare[0]}@{zones[0].id}"
        )
    fitted = tuple(s for s in site.sensors if value_for(values, s.role, s.subject) is not None)
    return dataclasses.replace(site, sensors=fitted)


def rehearse(order: Order, progress: Progress) -> Scorecard:
    """Run everything; Ctrl-C ends it with the score so far.

    Raises
    ------
    BuildingError
        Where the building fails on the way.
    """
    rehearsed, span = order.rehearsed, order.span
    building = order.make_building()
    news = forecast_news(building, spec=order.spec)
    driver = ControllerDriver(rehearsed, start_s=span.start_s, forecast_news=news)
    diary = _diary(rehearsed)
    remarks: list[str] = []
    totals: list[Totals] = []
    try:
        told = partial(progress, OWN_NAME)
        run(building, driver, span, diary=diary, spec=order.spec, progress=told)
        if order.with_others:
            totals += _others(order, progress)
    except KeyboardInterrupt:
        remarks.append("Broken off; this is the score so far.")
    scores = score_sessions(diary, rehearsed.sessions, driver.predictions, start_s=span.start_s)
    own = total(OWN_NAME, diary, scores, start_s=span.start_s)
    remarks += _remarks(driver, rehearsed.site)
    return Scorecard(scores, (own, *totals), tuple(remarks))


def _others(order: Order, progress: Progress) -> list[Totals]:
    """The other methods, each on its own building; what was finished before a Ctrl-C counts."""
    rehearsed, span = order.rehearsed, order.span
    coarse = dataclasses.replace(span, tick_s=max(span.tick_s, _OTHERS_TICK_S))
    zones = [zone.id for zone in rehearsed.site.zones_of(rehearsed.heater)]
    totals = []
    for kind in METHODS:
        method, diary = kind(rehearsed.limits, rehearsed.sessions, zones), _diary(rehearsed)
        told = partial(progress, kind.name)
        run(order.make_building(), method, coarse, diary=diary, spec=order.spec, progress=told)
        scores = score_sessions(diary, rehearsed.sessions, {}, start_s=span.start_s)
        totals.append(total(kind.name, diary, scores, start_s=span.start_s))
    return totals


def _diary(rehearsed: Rehearsed) -> Diary:
    zones = [zone.id for zone in rehearsed.site.zones_of(rehearsed.heater)]
    return Diary(rehearsed.heater, zones)


def _remarks(driver: ControllerDriver, site: Site) -> list[str]:
    """What an owner should know of the run beside its figures."""
    local = LocalTime(site.time_zone)
    remarks = [
        f"{name} stopped the heat first on {local.moment(at_s)}."
        for name, at_s in driver.trips.items()
    ]
    if driver.failures:
        remarks.append(f"errands that failed: {len(driver.failures)}; first {driver.failures[0]}")
    ticks = sum(driver.rungs.values())
    share = 100.0 * (1.0 - driver.rungs[Rung.PROGRAMME] / max(1, ticks))
    if share >= WORTH_SAYING_PERCENT:
        remarks.append(f"{share:.1f} % of the ticks had no valid timetable to go by.")
    return remarks
