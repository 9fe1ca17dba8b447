"""The real controller at work in a rehearsal: intake, cycle, planning and learning in one process.

This is the only place where rehearsal touches them, and it decides nothing itself.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from controller.answers import fault_of_parameters, fault_of_plan
from controller.cycle import Carry, Situation, decide
from controller.planning.history import Source
from controller.planning.learn import learn
from controller.planning.planner import make_plan
from controller.readings import LatestReadings
from controller.records.decision import Decision, HeaterState
from controller.records.errands import LearnErrand, PlanErrand
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.plan import ParameterSet, Plan, Rung
from controller.records.readings import Quality, Reading
from controller.records.safety import Severity
from controller.records.sessions import Session
from controller.records.site import Heater, Site
from controller.rehearsal.base_case import base_case
from controller.rehearsal.building import value_for
from controller.rehearsal.heard_forecast import ForecastNews
from controller.rehearsal.memory import Memory
from controller.rehearsal.score import Prediction

AHEAD_S = 9 * 86400.0
BOOK_ANEW_S = 900.0
RETRY_S = 60.0
LEARN_HOUR = 3
FROZEN_AHEAD_S = 12 * 3600.0
"""A prediction is scored as it stood this long before its session [s]."""


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What is rehearsed: a heater of a site under limits, with its sessions by start."""

    site: Site
    heater: Heater
    limits: Limits
    sessions: tuple[Session, ...]
    replan_s: float


class ControllerDriver:
    """Switches the heater as the service would.

    Parameters
    ----------
    rehearsed : Rehearsed
    start_s : float
        First moment [UTC s].
    learns : bool
        Whether the response is fitted each night; without it the description holds throughout.
    forecast_news : callable, optional
        Tells at each tick the forecast that has just come in, None where none has.
    planner : callable, optional
        Makes the plans: the service's own, or another that is compared with it.

    Attributes
    ----------
    start_s : float
    memory : Memory
        Samples, commands and forecasts so far.
    decision : Decision or None
        Of the last tick.
    parameter_sets, predictions : dict
        In force, by zone; what plans expected, by session.
    rungs, trips, failures : Counter, dict, list
        Ticks by rung; first moment of each rule that stopped the heat; errands that failed.
    """

    def __init__(
        self,
        rehearsed: Rehearsed,
        *,
        start_s: float,
        learns: bool = True,
        forecast_news: ForecastNews | None = None,
        planner: Callable[[PlanErrand, Source], Plan] | None = None,
    ) -> None:
        site = base_case(rehearsed.site)
        rehearsed = replace(rehearsed, site=site, heater=site.heater(rehearsed.heater.id))
        self._what = rehearsed
        self._learns = learns
        self._forecast_news = forecast_news
        self._planner = planner or make_plan
        self.start_s = start_s
        self._sensors = rehearsed.site.sensors_of(rehearsed.heater)
        self._zones = rehearsed.site.zones_of(rehearsed.heater)
        self._loops = rehearsed.site.loops_of(rehearsed.heater)
        self._readings = LatestReadings(rehearsed.site)
        self.memory = Memory()
        self._carry = Carry.at_start(None, Instant(start_s, 0.0))
        self._book = _Book(rehearsed.sessions)
        self._sequence = 0
        self._plan: Plan | None = None
        self._plan_due_s = start_s + RETRY_S  # a plan needs a first reading
        self._learnt_day: int | None = None
        self._gravest: tuple[str, Severity] | None = None
        self.decision: Decision | None = None
        self.parameter_sets: dict[str, ParameterSet] = {}
        self.predictions: dict[str, Prediction] = {}
        self.rungs: Counter[Rung] = Counter()
        self.trips: dict[str, float] = {}
        self.failures: list[str] = []

    @property
    def state(self) -> HeaterState:
        """What the service would have stored with the last decision."""
        return self._carry.state

    def heat(self, now_s: float, values: Mapping[str, float]) -> bool:
        """One tick: readings in, command out."""
        now = Instant(now_s, now_s - self.start_s)
        self._take_in(now, values)
        self._hear_forecast(now_s)
        sessions = self._book.at(now_s)
        situation = Situation(
            now=now,
            heater=self._what.heater,
            zones=self._zones,
            limits=self._what.limits,
            sensed=self._readings.sensed(self._sensors, now=now, limits=self._what.limits),
            sessions=sessions,
            plan=self._plan,
            parameter_sets=self.parameter_sets,
            loops=self._loops,
        )
        decision, self._carry = decide(situation, self._carry)
        self.decision = decision
        self._watch(decision)
        self.memory.add_command(self._what.heater.id, at_s=now_s, heat=decision.command.heat)
        self._think(now_s, sessions)  # last, so that a plan starts from this tick's command
        return decision.command.heat

    def _take_in(self, now: Instant, values: Mapping[str, float]) -> None:
        self._sequence += 1
        for sensor in self._sensors:
            value = value_for(values, sensor.role, sensor.subject)
            if value is None or not math.isfinite(value):
                continue  # as a sensor that sends nothing, or a payload that is rejected
            judged = self._readings.add(
                Reading(
                    sensor=sensor.id,
                    role=sensor.role,
                    subject=sensor.subject,
                    value=value,
                    measured_s=now.utc_s,
                    received_s=now.utc_s,
                    received_mono_s=now.mono_s,
                    sequence=self._sequence,
                )
            )
            if judged is not None and judged.quality is Quality.GOOD:
                self.memory.add_sample(sensor.id, at_s=now.utc_s, value=value)

    def _hear_forecast(self, now_s: float) -> None:
        """Keep a new forecast and plan anew on it at once."""
        heard = self._forecast_news(now_s) if self._forecast_news is not None else None
        if heard is not None:
            self.memory.add_forecast(heard)
            self._plan_due_s = min(self._plan_due_s, max(now_s, self.start_s + RETRY_S))

    def _think(self, now_s: float, sessions: tuple[Session, ...]) -> None:
        """Learn and plan where that is due, as the service asks its planner to."""
        if self._learning_is_due(now_s):
            self._attempt("learning", now_s, lambda: self._learn(now_s))
            self._plan_due_s = max(now_s, self.start_s + RETRY_S)
        if now_s >= self._plan_due_s:
            self._plan_due_s = now_s + self._what.replan_s
            self._attempt("planning", now_s, lambda: self._make_plan(now_s, sessions))

    def _attempt(self, what: str, now_s: float, work: Callable[[], str | None]) -> None:
        try:
            fault = work()
        except Exception as error:  # noqa: BLE001 - in the service the child would die of it, alone
            fault = f"{type(error).__name__}: {error}"
        if fault is not None:
            self.failures.append(f"{what}: {fault}")
            self._plan_due_s = now_s + RETRY_S

    def _learning_is_due(self, now_s: float) -> bool:
        """At the start, then once a night."""
        local = datetime.fromtimestamp(now_s, ZoneInfo(self._what.site.time_zone))
        day = local.toordinal() - (local.hour < LEARN_HOUR)
        due = day != self._learnt_day and (self._learns or not self.parameter_sets)
        self._learnt_day = day
        return due

    def _learn(self, now_s: float) -> str | None:
        sets = tuple(self.parameter_sets.values())
        errand = LearnErrand(self._what.site, sets, now_s, self._held(now_s))
        answer = learn(errand, self.memory)
        for learnt in answer.learnt:
            found = learnt.parameter_set
            if fault := fault_of_parameters(found):
                return f"{found.zone}: {fault}"
            if learnt.replaces or found.zone not in self.parameter_sets:
                self.parameter_sets[found.zone] = found
        return None

    def _held(self, now_s: float) -> tuple[Session, ...]:
        return tuple(s for s in self._what.sessions if self.start_s <= s.start_s <= now_s)

    def _make_plan(self, now_s: float, sessions: tuple[Session, ...]) -> str | None:
        heater = self._what.heater.id
        errand = PlanErrand(
            site=self._what.site,
            limits=self._what.limits,
            heater=heater,
            sessions=sessions,
            parameter_sets=tuple(self.parameter_sets.values()),
            heating=self._carry.state.heating,
            now_s=now_s,
            held=self._held(now_s),
        )
        plan = self._planner(errand, self.memory)
        if fault := fault_of_plan(plan, heater=heater, now_s=now_s):
            return fault
        self._plan = plan
        self.memory.add_plan(plan)
        self._freeze(plan, sessions)
        return None

    def _freeze(self, plan: Plan, sessions: tuple[Session, ...]) -> None:
        """Keep the latest prediction of 12 h ahead or more; the first where there is none."""
        starts_s = {session.id: session.start_s for session in sessions}
        for arrival in (a for outlook in plan.outlooks for a in outlook.arrivals):
            start_s = starts_s.get(arrival.session, -math.inf)
            in_time = plan.made_s <= start_s - FROZEN_AHEAD_S
            first = arrival.session not in self.predictions and plan.made_s < start_s
            if in_time or first:
                self.predictions[arrival.session] = Prediction.of(arrival, made_s=plan.made_s)

    def _watch(self, decision: Decision) -> None:
        """Count rungs, note trips, and plan anew when what settles the decision changes."""
        self.rungs[decision.wish.rung] += 1
        deciding = decision.deciding
        gravest = None
        if deciding is not None and deciding.severity > Severity.HOLD:
            gravest = (deciding.rule, deciding.severity)
            if deciding.severity >= Severity.TRIP:
                self.trips.setdefault(f"{deciding.rule} ({deciding.reason})", decision.at.utc_s)
        if gravest != self._gravest:
            self._gravest = gravest
            self._plan_due_s = min(self._plan_due_s, decision.at.utc_s + 1.0)


class _Book:
    """Running and coming sessions; looked up anew every quarter of an hour, as the service does."""

    def __init__(self, sessions: Sequence[Session]) -> None:
        self._sessions = tuple(sessions)
        self._near: tuple[Session, ...] = ()
        self._from_s = -math.inf

    def at(self, now_s: float) -> tuple[Session, ...]:
        """The sessions that have not ended and start within nine days."""
        if now_s - self._from_s >= BOOK_ANEW_S:
            self._from_s = now_s
            until_s = now_s + AHEAD_S
            self._near = tuple(s for s in self._sessions if s.end_s > now_s and s.start_s < until_s)
        if any(s.end_s <= now_s for s in self._near):
            self._near = tuple(s for s in self._near if s.end_s > now_s)
        return self._near
