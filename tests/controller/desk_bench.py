"""A planning desk with a child that does as it is told, and a store in memory."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from controller.planner_process import Answer, Errand, PlannerFailure
from controller.planning_desk import HeaterNeeds, PlanningDesk
from controller.records.decision import NoticeKind
from controller.records.errands import LearnAnswer, LearnErrand, Learnt, PlanAnswer, PlanErrand
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.plan import ParameterSet, Plan
from controller.records.sessions import Session
from controller.records.site import Site
from tests.controller.builders import (
    START,
    later,
    make_parameters,
    make_plan,
    make_session,
    make_site,
)


class Child:
    """A planner that does as it is told: it holds its errand until a test gives its outcome."""

    def __init__(self) -> None:
        self.errand: Errand | None = None
        self.asked: list[Errand] = []
        self.outcome: Answer | PlannerFailure | None = None
        self.broken: OSError | None = None

    def start(self, errand: Errand) -> None:
        if self.broken:
            raise self.broken
        assert self.errand is None
        self.errand = errand
        self.asked.append(errand)

    def poll(self) -> Answer | PlannerFailure | None:
        if self.errand is None or self.outcome is None:
            return None
        self.errand, outcome, self.outcome = None, self.outcome, None
        return outcome

    def wait(self) -> Answer | PlannerFailure | None:
        assert self.errand is not None
        if self.outcome is None:
            if isinstance(self.errand, LearnErrand):
                self.outcome = learnt(make_parameters())
            else:
                heater = self.errand.heater
                self.outcome = PlanAnswer(make_plan(heater=heater, made_s=self.errand.now_s))
        return self.poll()

    def stop(self) -> None:
        self.errand = None


class Shelf:
    """A store of plans and parameters in memory."""

    def __init__(self, *items: Plan | ParameterSet) -> None:
        self.items = list(items)

    def add_plan(self, plan: Plan) -> None:
        self.items.append(plan)

    def add_parameters(self, parameters: ParameterSet) -> None:
        self.items.append(parameters)

    def latest_plan(self, heater: str) -> Plan | None:
        found = [i for i in self.items if isinstance(i, Plan) and i.heater == heater]
        return found[-1] if found else None

    def latest_parameters(self, zone: str) -> ParameterSet | None:
        found = [i for i in self.items if isinstance(i, ParameterSet) and i.zone == zone]
        return found[-1] if found else None


class Bench:
    """A desk with its child and its store, and a clock that a test moves."""

    def __init__(
        self, *stored: Plan | ParameterSet, site: Site | None = None, now: Instant = START
    ) -> None:
        self.site = site or make_site()
        self.child, self.shelf, self.now = Child(), Shelf(*stored), now
        self.desk = PlanningDesk(
            site=self.site,
            limits=Limits(),
            planner=self.child,
            store=self.shelf,
        )
        self.sessions = (make_session(),)
        self.held: tuple[Session, ...] = ()
        self.seen = True

    def needs(self) -> dict[str, HeaterNeeds]:
        needs = HeaterNeeds(self.sessions, False, self.seen, self.held)
        return {h.id: needs for h in self.site.heaters}

    def work(self, seconds: float = 0.0, outcome: Answer | PlannerFailure | None = None) -> None:
        """Let time go on, have the child end with an outcome if given, and work once."""
        self.now = later(seconds, self.now)
        self.child.outcome = outcome
        self.desk.take(self.now)
        self.desk.ask(self.now, self.needs())

    def answer_plan(self, seconds: float = 10.0, **changes: Any) -> Plan:
        """The child ends with a plan that is good but for the changes."""
        errand = self.child.errand
        assert isinstance(errand, PlanErrand)
        plan = make_plan(heater=errand.heater, made_s=errand.now_s, sessions=self.sessions)
        plan = replace(plan, **changes)
        self.work(seconds, PlanAnswer(plan))
        return plan

    def notice_kinds(self) -> list[NoticeKind]:
        return [n.kind for n in self.desk.notices("boiler", self.sessions)]


def learnt(*sets: ParameterSet, replaces: bool = True) -> LearnAnswer:
    return LearnAnswer(tuple(Learnt(s, replaces, "said so") for s in sets))
