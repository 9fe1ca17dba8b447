"""When to ask the planner for what, and what becomes of its answers.

The desk holds the plans and parameter sets in force. It asks for a new plan every quarter of
an hour and at every event, for a fit at the start and each night, and never waits for either.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from controller.answers import fault_of_parameters, fault_of_plan
from controller.local_time import LocalTime
from controller.planner_process import Answer, PlannerFailure, PlannerProcess
from controller.records.decision import Notice, NoticeKind
from controller.records.errands import LearnAnswer, LearnErrand, PlanErrand
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.plan import ParameterSet, Plan
from controller.records.sessions import Session
from controller.records.site import Site
from controller.session_names import session_name
from controller.store.failures import StoreFailed
from controller.store.writer import Writer

REPLAN_S = 900.0
RETRY_S = 60.0
"""Wait after a failed errand before the next [s]."""
LEARN_HOUR = 3
"""Local hour at which each night's fit is due."""


@dataclass(frozen=True, slots=True)
class HeaterNeeds:
    """What a plan for one heater starts from.

    Attributes
    ----------
    sessions : tuple of Session
        Running and coming ones, by start.
    heating : bool
        The last command.
    seen : bool
        Whether room air is known at all yet; before that there is nothing to plan from.
    held : tuple of Session
        Those that have begun in the last weeks, by start.
    """

    sessions: tuple[Session, ...]
    heating: bool
    seen: bool
    held: tuple[Session, ...] = ()


Needs = Mapping[str, HeaterNeeds]
"""By heater."""


@dataclass(slots=True)
class _Due:
    """What is known of one heater's next plan."""

    wanted: bool = True
    asked_mono_s: float = 0.0

    def at(self, now: Instant) -> bool:
        """Whether a plan is wanted, or the last one is old."""
        return self.wanted or now.mono_s - self.asked_mono_s >= REPLAN_S


class PlanningDesk:
    """Plans and parameter sets in force for one site.

    Parameters
    ----------
    site : Site
    limits : Limits
    planner : PlannerProcess
    store : Writer
        Plans and parameter sets are loaded from it at the start and stored in it when accepted.
    """

    def __init__(
        self, *, site: Site, limits: Limits, planner: PlannerProcess, store: Writer
    ) -> None:
        self._site, self._limits = site, limits
        self._planner, self._store = planner, store
        self._due = {heater.id: _Due() for heater in site.heaters}
        self._not_before_mono_s = 0.0
        self._asked_heater = ""
        self._failure: Notice | None = None
        self._drifts: dict[str, Notice] = {}
        self.plans: dict[str, Plan] = _stored_plans(site, store)
        self.parameter_sets: dict[str, ParameterSet] = _stored_parameters(site, store)
        made_s = [parameters.made_s for parameters in self.parameter_sets.values()]
        self._learnt_day = self._learning_day(min(made_s)) if made_s else None

    def limits_changed(self, limits: Limits) -> None:
        """Plan by new limits from now on."""
        self._limits = limits
        self.want_plans()

    def want_plans(self) -> None:
        """Something has happened that may change the plans: make them again."""
        for due in self._due.values():
            due.wanted = True

    def store_is_another(self) -> None:
        """Take over what a store has that has only now been opened; give it what it lacks."""
        for zone, parameters in _stored_parameters(self._site, self._store).items():
            self.parameter_sets.setdefault(zone, parameters)
        for heater, plan in _stored_plans(self._site, self._store).items():
            self.plans.setdefault(heater, plan)
        for parameters in self.parameter_sets.values():
            self._store.add_parameters(parameters)
        self.want_plans()

    def notices(self, heater: str, sessions: tuple[Session, ...]) -> tuple[Notice, ...]:
        """What the owner should know of a heater's planning."""
        found = [self._failure] if self._failure else []
        found += self._drifts.values()
        local = LocalTime(self._site.time_zone)
        return (*found, *_out_of_reach(self.plans.get(heater), sessions, local))

    def will_ask(self, now: Instant) -> bool:
        """Whether the planner is free and something is due: the history should be stored now."""
        free = self._planner.errand is None and now.mono_s >= self._not_before_mono_s
        return free and any(due.at(now) for due in self._due.values())

    def take(self, now: Instant) -> None:
        """Take what the planner has done since the last call."""
        self._take(self._planner.poll(), now)

    def ask(self, now: Instant, needs: Needs) -> None:
        """Ask the planner for what is due, if it is free. Never waits."""
        if self._planner.errand is None and now.mono_s >= self._not_before_mono_s:
            try:
                self._ask(now, needs)
            except OSError as error:
                self._fail(f"it could not be started: {error}", now)

    def finish(self, now: Instant, needs: Needs) -> None:
        """Wait until nothing is due any more: for a clock that stands still meanwhile."""
        while self._planner.errand is not None:
            self._take(self._planner.wait(), now)
            self.ask(now, needs)

    def stop(self) -> None:
        """End what is under way."""
        self._planner.stop()

    def _ask(self, now: Instant, needs: Needs) -> None:
        if self._learning_is_due(now):
            parameter_sets = tuple(self.parameter_sets.values())
            held = tuple(session for each in needs.values() for session in each.held)
            self._planner.start(LearnErrand(self._site, parameter_sets, now.utc_s, held))
            return
        waiting = [h for h, due in self._due.items() if needs[h].seen and due.at(now)]
        if not waiting:
            return
        # the one that has waited longest: a heater whose plan always fails must not starve others
        heater = min(waiting, key=lambda h: self._due[h].asked_mono_s)
        self._due[heater] = _Due(wanted=False, asked_mono_s=now.mono_s)
        self._asked_heater = heater
        self._planner.start(self._plan_errand(heater, now, needs[heater]))

    def _plan_errand(self, heater: str, now: Instant, needs: HeaterNeeds) -> PlanErrand:
        return PlanErrand(
            site=self._site,
            limits=self._limits,
            heater=heater,
            sessions=needs.sessions,
            parameter_sets=tuple(self.parameter_sets.values()),
            heating=needs.heating,
            now_s=now.utc_s,
            held=needs.held,
        )

    def _learning_is_due(self, now: Instant) -> bool:
        """Once at the first start, then each night; a failed fit does not keep plans waiting."""
        day = self._learning_day(now.utc_s)
        unlearnt = any(zone.id not in self.parameter_sets for zone in self._site.zones)
        due = unlearnt if self._learnt_day is None else day != self._learnt_day
        self._learnt_day = day
        return due

    def _learning_day(self, utc_s: float) -> int:
        """The day that a fit at this moment counts for: they change at ``LEARN_HOUR``."""
        local = datetime.fromtimestamp(utc_s, ZoneInfo(self._site.time_zone))
        return local.toordinal() - (local.hour < LEARN_HOUR)

    def _take(self, answer: Answer | PlannerFailure | None, now: Instant) -> None:
        if isinstance(answer, PlannerFailure):
            self._fail(answer.reason, now)
        elif isinstance(answer, LearnAnswer):
            self._take_parameters(answer, now)
        elif answer is not None:
            self._take_plan(answer.plan, now)

    def _take_plan(self, plan: Plan, now: Instant) -> None:
        if fault := fault_of_plan(plan, heater=self._asked_heater, now_s=now.utc_s):
            self._fail(fault, now)
            return
        try:
            self._store.add_plan(plan)
        except StoreFailed:
            # what is not on record is not followed; asked for again when the store may be back
            self._not_before_mono_s = now.mono_s + RETRY_S
            self.want_plans()
            raise
        self.plans[plan.heater] = plan
        self._failure = None

    def _take_parameters(self, answer: LearnAnswer, now: Instant) -> None:
        for learnt in answer.learnt:
            parameters = learnt.parameter_set
            self._drifts.pop(parameters.zone, None)
            if learnt.drift is not None:
                told = f"{parameters.zone}: {learnt.drift}"
                self._drifts[parameters.zone] = Notice(NoticeKind.BUILDING_CHANGED, told)
            if fault := fault_of_parameters(parameters):
                self._fail(f"{parameters.zone}: {fault}", now)
            elif learnt.replaces or parameters.zone not in self.parameter_sets:
                self._store.add_parameters(parameters)
                self.parameter_sets[parameters.zone] = parameters
        self.want_plans()

    def _fail(self, reason: str, now: Instant) -> None:
        text = f"The planner gave no plan: {reason}. The last valid plan and the fallbacks hold."
        self._failure = Notice(NoticeKind.PLANNER_FAILED, text, alarm=True)
        self._not_before_mono_s = now.mono_s + RETRY_S
        self.want_plans()


def _stored_plans(site: Site, store: Writer) -> dict[str, Plan]:
    """The latest plan of each heater; one that cannot be read is made anew."""
    plans = {}
    for heater in site.heaters:
        with contextlib.suppress(StoreFailed):
            plans[heater.id] = store.latest_plan(heater.id)
    return {heater: plan for heater, plan in plans.items() if plan is not None}


def _stored_parameters(site: Site, store: Writer) -> dict[str, ParameterSet]:
    """The latest set of each zone, unless it is absurd or unreadable: then it is learnt anew."""
    found = {}
    for zone in site.zones:
        with contextlib.suppress(StoreFailed):
            found[zone.id] = store.latest_parameters(zone.id)
    return {
        zone: parameters
        for zone, parameters in found.items()
        if parameters is not None and fault_of_parameters(parameters) is None
    }


def _out_of_reach(
    plan: Plan | None, sessions: tuple[Session, ...], local: LocalTime
) -> list[Notice]:
    """A notice for each booked session that the plan cannot reach."""
    booked = {session.id: session for session in sessions}
    notices = []
    for arrival in [a for outlook in plan.outlooks for a in outlook.arrivals] if plan else []:
        session = booked.get(arrival.session)
        if session is not None and not arrival.reachable:
            text = (
                f"{session_name(session.id, session, local)} cannot be ready: about "
                f"{arrival.air_c:.1f} °C instead of {arrival.target_c:.1f} °C when it starts."
            )
            notices.append(Notice(NoticeKind.TARGET_OUT_OF_REACH, text, alarm=True))
    return notices
