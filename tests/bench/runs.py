"""One job carried out: a method in a simulated building through a season."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from controller.planning.history import Source
from controller.planning.planner import make_plan
from controller.records.errands import PlanErrand
from controller.records.plan import BlockReason, Plan
from controller.records.sessions import Session
from controller.rehearsal.building import Building, BuildingError
from controller.rehearsal.controller_driver import ControllerDriver, Rehearsed
from controller.rehearsal.diary import MINUTE_S, SMOOTHING_S, Diary
from controller.rehearsal.foresight import foresight, reachable_sessions
from controller.rehearsal.heard_forecast import forecast_news
from controller.rehearsal.runner import Driver, run
from controller.rehearsal.score import READY_BELOW_K, Prediction
from controller.rehearsal.true_controller import true_planner
from controller.rehearsal.workshop import Workshop
from tests.bench.cases import Case, case
from tests.bench.jobs import ASKED_PERCENT, FORESIGHT, OWN, TRUE_MODEL, Job, method_named
from tests.bench.served import DAY_S, Held, Served

Planner = Callable[[PlanErrand, Source], Plan]

REPLAN_S = 3600.0
DOOR_S = 1800.0
"""Time after a session's start, when people come in by a door, that no shortfall counts [s]."""
HOUR_S = 3600.0
SPEC = "the benchmark's workshop"


@dataclass(slots=True)
class _Ran:
    """A driver that has been through a season, and what it and its diary say of it."""

    diary: Diary
    ahead: dict[str, Prediction] = field(default_factory=dict)
    committed: dict[str, Prediction] = field(default_factory=dict)
    reachable: frozenset[str] = frozenset()
    missed: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def served_by(job: Job) -> Served:
    """Carry a job out.

    Raises
    ------
    BuildingError, NoProgramme
        Where the building fails, or foresight finds no programme.
    """
    began_s = time.perf_counter()
    season = job.season
    made = case(season.kind, season.station, season.seed, days=season.days, forecast=job.forecast)
    if job.method == FORESIGHT:
        ran = _with_foresight(made)
    elif job.method in (OWN, TRUE_MODEL):
        ran = _with_planner(made, job)
    else:
        ran = _with_other(made, job)
    return _told(made, ran, took_s=time.perf_counter() - began_s)


def _with_foresight(made: Case) -> _Ran:
    rehearsed = _rehearsed(made, made.sessions)

    plan = foresight(made.make_building, rehearsed, made.span, _silent)
    ran = _Ran(_carried_out(made, made.make_building(), plan), missed=plan.missed)
    ran.reachable = reachable_sessions(made.make_building, rehearsed, made.span, _silent)
    return ran


def _with_planner(made: Case, job: Job) -> _Ran:
    building = made.make_building()
    percent = job.margin if job.method == OWN else ASKED_PERCENT
    asked = tuple(replace(s, readiness=percent / 100.0) for s in made.sessions)
    commitments = Commitments(_planner(job, made))
    driver = ControllerDriver(
        _rehearsed(made, asked),
        start_s=made.span.start_s,
        learns=job.method == OWN,
        forecast_news=forecast_news(building, spec=SPEC),
        planner=commitments.plan,
    )
    diary = _carried_out(made, building, driver)
    failures = driver.failures
    remarks = [f"{len(failures)} errands failed, the first {failures[0]}"] if failures else []
    remarks += [f"{name} stopped the heat" for name in driver.trips]
    return _Ran(
        diary, ahead=driver.predictions, committed=commitments.expected, remarks=tuple(remarks)
    )


def _planner(job: Job, made: Case) -> Planner:
    if job.method == OWN:
        return make_plan
    like_it = made.make_building()
    if not isinstance(like_it, Workshop):
        raise BuildingError("the true model is known of the project's own workshop alone")
    return true_planner(like_it, span=made.span, margin=job.margin)


class Commitments:
    """Plans as a planner makes them, and what those expected in which preheat is first under way.

    Attributes
    ----------
    expected : dict of str to Prediction
        By session.
    """

    def __init__(self, planner: Planner) -> None:
        self._planner = planner
        self.expected: dict[str, Prediction] = {}

    def plan(self, errand: PlanErrand, source: Source) -> Plan:
        """The planner's own plan."""
        plan = self._planner(errand, source)
        block = plan.block_at(plan.made_s)
        if block is not None and block.heat and block.reason is BlockReason.PREHEAT:
            for arrival in (a for outlook in plan.outlooks for a in outlook.arrivals):
                if arrival.session == block.session:
                    expected = Prediction.of(arrival, made_s=plan.made_s)
                    self.expected.setdefault(arrival.session, expected)
        return plan


def _with_other(made: Case, job: Job) -> _Ran:
    method = method_named(job.method)
    driver = method(made.limits, made.sessions, [_zone(made)], margin=job.margin)
    return _Ran(_carried_out(made, made.make_building(), driver))


def _rehearsed(made: Case, sessions: tuple[Session, ...]) -> Rehearsed:
    return Rehearsed(made.site, made.heater, made.limits, sessions, REPLAN_S)


def _silent(share: float) -> None:
    """Progress is told by the job, not within it."""


def _carried_out(made: Case, building: Building, driver: Driver) -> Diary:
    diary = Diary(made.heater, [_zone(made)])
    run(building, driver, made.span, diary=diary, spec=SPEC, progress=_silent)
    return diary


def _zone(made: Case) -> str:
    """The one zone of a case."""
    (zone,) = made.site.zones_of(made.heater)
    return zone.id


def _told(made: Case, ran: _Ran, *, took_s: float) -> Served:
    diary, start_s = ran.diary, made.span.start_s
    held = [s for s in made.sessions if s.start_s >= start_s and s.end_s <= made.span.end_s]
    edges_s = [*np.arange(start_s, made.span.end_s - 1.0, DAY_S).tolist(), made.span.end_s]
    days = itertools.pairwise(edges_s)
    return Served(
        start_s=start_s,
        energy_kwh=tuple(round(diary.energy_kwh(since, until), 3) for since, until in days),
        sessions=tuple(_held(session, ran) for session in held),
        coldest_c=coldest_by_hour(made, diary),
        reachable=tuple(sorted(ran.reachable)),
        missed=ran.missed,
        remarks=ran.remarks,
        took_s=round(took_s, 1),
    )


def _held(session: Session, ran: _Ran) -> Held:
    course_c = ran.diary.smoothed_course_c(session.zone, session.start_s, session.end_s)
    later_c = ran.diary.smoothed_course_c(session.zone, session.start_s + DOOR_S, session.end_s)
    short_k = np.clip(session.target_c - READY_BELOW_K - later_c, 0.0, None)
    return Held(
        session=session.id,
        start_s=session.start_s,
        target_c=session.target_c,
        start_c=ran.diary.smoothed_air_c(session.zone, session.start_s),
        highest_c=float(course_c.max()),
        shortfall_kh=float(short_k.sum()) * MINUTE_S / 3600.0,
        ahead=ran.ahead.get(session.id),
        committed=ran.committed.get(session.id),
    )


def coldest_by_hour(made: Case, diary: Diary) -> tuple[float | None, ...]:
    """Lowest smoothed room air of each hour of the season; None where a session ran in it."""
    start_s = made.span.start_s
    course_c = diary.smoothed_course_c(_zone(made), start_s, made.span.end_s)
    at_s: NDArray[np.float64] = (
        start_s + SMOOTHING_S / 2 + MINUTE_S * np.arange(len(course_c), dtype=np.float64)
    )
    hour = ((at_s - start_s) // HOUR_S).astype(int)
    lowest_c = np.full(math.ceil((made.span.end_s - start_s) / HOUR_S), np.inf)
    np.minimum.at(lowest_c, hour, course_c)
    for session in made.sessions:
        first = int((session.start_s - start_s) // HOUR_S)
        lowest_c[max(0, first) : math.ceil((session.end_s - start_s) / HOUR_S)] = np.inf
    return tuple(round(c, 2) if math.isfinite(c) else None for c in lowest_c.tolist())
