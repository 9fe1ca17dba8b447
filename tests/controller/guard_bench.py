"""A guard among stand-ins, which write what was asked of them into one journal."""

from __future__ import annotations

import io
import json
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from controller.clock import SteppedClock
from controller.codec import from_plain
from controller.configuration import Configuration
from controller.guard import Guard
from controller.records.decision import Command, Decision, HeaterState, Notice, Readback
from controller.records.instant import Instant
from controller.records.limits import TICK_S, Limits
from controller.records.plan import Plan
from controller.records.readings import Sensed
from controller.store.failures import StoreFailed
from tests.controller.builders import (
    MILD,
    START,
    air,
    make_configuration,
    make_plan,
    slab,
    two_heater_site,
)

MILD_LOFT = (slab(subject="loft"), air(subject="loft"))

Journal = list[tuple[str, Any]]


class Trouble(Exception):
    """Something that nobody has thought of."""


class Fault:
    """Makes one named step raise, or none."""

    def __init__(self) -> None:
        self.at: str | None = None
        self.only: str | None = None
        self.error: Exception = Trouble("out of the blue")

    def strike(self, step: str, heater: str | None = None) -> None:
        if step == self.at and self.only in (None, heater):
            raise self.error.with_traceback(None)  # or each raise would add to it


class FakeWatch:
    def __init__(self, current: Configuration, fault: Fault) -> None:
        self.current, self._fault = current, fault
        self.notices: tuple[Notice, ...] = ()
        self.edited: Configuration | None = None

    def look(self) -> bool:
        self._fault.strike("configuration")
        if self.edited is None:
            return False
        self.current, self.edited = self.edited, None
        return True


class FakeIntake:
    def __init__(self, fault: Fault) -> None:
        self._fault = fault
        self.readings: tuple[Sensed, ...] = (*MILD, *MILD_LOFT)
        self.notices: tuple[Notice, ...] = ()
        self.flushed = self.taken = 0

    def flush(self, now: Instant, store: Any) -> None:
        self.flushed += 1
        self._fault.strike("flush")

    def take(self, now: Instant, store: Any, *, at_once: bool) -> tuple[Notice, ...]:
        self._fault.strike("intake")
        self.taken += 1
        return self.notices

    def sensed(self, sensors: Any, limits: Limits, now: Instant) -> tuple[Sensed, ...]:
        self._fault.strike("readings")
        subjects = {sensor.subject for sensor in sensors}
        extra = {"boiler"} if "bay" in subjects else set()
        return tuple(s for s in self.readings if s.subject in subjects | extra)


class FakeDesk:
    def __init__(self, fault: Fault) -> None:
        self._fault = fault
        self.plans: dict[str, Plan] = {}
        self.parameter_sets: Mapping[str, Any] = {}
        self.events = 0
        self.limits: Limits | None = None
        self.needs: Any = None
        self.stopped = False
        self.met_another_store = 0

    def will_ask(self, now: Instant) -> bool:
        return False

    def take(self, now: Instant) -> None:
        self._fault.strike("desk")

    def ask(self, now: Instant, needs: Any) -> None:
        self._fault.strike("ask")
        self.needs = needs

    def notices(self, heater: str, sessions: Any) -> tuple[Notice, ...]:
        return ()

    def want_plans(self) -> None:
        self.events += 1

    def store_is_another(self) -> None:
        self.met_another_store += 1

    def limits_changed(self, limits: Limits) -> None:
        self.limits = limits

    def stop(self) -> None:
        self.stopped = True


class FakeStore:
    def __init__(self, journal: Journal, fault: Fault) -> None:
        self._journal, self._fault = journal, fault
        self.states: dict[str, HeaterState] = {}
        self.sequences: dict[str, int] = {}
        self.unreadable_states: dict[str, str] = {}
        self.marked: dict[str, frozenset[str]] = {}
        self.generation = 1
        self.shut = False
        self.locked_out: set[str] = set()
        self.texts: dict[str, str] = {}
        self.readbacks: list[Readback] = []

    def notices(self) -> tuple[Notice, ...]:
        return ()

    def look(self) -> int:
        if self.shut:
            raise StoreFailed("cannot open the store: database is locked")
        return self.generation

    def met(self, heater: str, generation: int) -> None:
        """Every state may be written over."""

    def adopt_lockouts(self, heaters: Collection[str]) -> frozenset[str]:
        return frozenset()

    def lockouts(self, heater: str) -> frozenset[str]:
        return self.marked.get(heater, frozenset())

    def state(self, heater: str) -> HeaterState | None:
        if self.shut:
            raise StoreFailed("cannot open the store: database is locked")
        return self.states.get(heater)

    def last_sequence(self, heater: str) -> int:
        return self.sequences.get(heater, 0)

    def was_locked_out(self, heater: str) -> bool:
        return heater in self.locked_out

    def keep_configuration(self, name: str, text: str, loaded_s: float) -> None:
        if self.shut:
            raise StoreFailed("cannot store a configuration text: database is locked")
        self._fault.strike("texts")
        self.texts[name] = text

    def add_decision(self, decision: Decision, state: HeaterState) -> None:
        self._fault.strike("store")
        if self.shut:
            raise StoreFailed("cannot store a decision: database is locked")
        self._journal.append(("record", decision))
        self.states[decision.heater] = state

    def add_readback(self, heater: str, readback: Readback) -> None:
        self._fault.strike("readback")
        self.readbacks.append(readback)


class FakeRelay:
    def __init__(self, journal: Journal, fault: Fault, heater: str) -> None:
        self._journal, self._fault, self._heater = journal, fault, heater
        self.connected, self.taken_over = True, False
        self.interrupted = False

    def take_interruption(self) -> bool:
        told, self.interrupted = self.interrupted, False
        return told

    @property
    def reachable(self) -> bool:
        return self.connected

    def send(self, command: Command) -> bool:
        assert command.heater == self._heater
        # the wire is quicker than the fault: what was said has been said
        self._journal.append(("send", command))
        self._fault.strike("relay.send")
        if command.heat:
            self._fault.strike("relay.send of an ON")
        return self.connected


class Workshop:
    """A guard with two heaters, all its stand-ins, and a clock that the test moves."""

    def __init__(self, folder: Path) -> None:
        self.journal: Journal = []
        self.fault = Fault()
        self.clock = SteppedClock(START)
        self.first_mono_s = START.mono_s
        self.folder = folder
        self.watch = FakeWatch(make_configuration(folder, two_heater_site()), self.fault)
        self.intake, self.desk = FakeIntake(self.fault), FakeDesk(self.fault)
        self.store = FakeStore(self.journal, self.fault)
        self.relays = {
            heater: FakeRelay(self.journal, self.fault, heater) for heater in ("boiler", "kettle")
        }
        self.distress = io.StringIO()
        self.guard = self.start()

    def start(self) -> Guard:
        """Another process on the same store."""
        self.guard = Guard(
            watch=self.watch,
            clock=self.clock,
            intake=self.intake,
            relays=self.relays,
            store=self.store,
            desk=self.desk,
            distress=self.distress,
        )
        return self.guard

    def tick(self, seconds: float = TICK_S) -> Journal:
        """One tick after some time; gives what was newly written into the journal."""
        self.clock.advance(seconds)
        begun = len(self.journal)
        self.guard.tick()
        return self.journal[begun:]

    def run(self, seconds: float) -> Journal:
        begun = len(self.journal)
        for _ in range(round(seconds / TICK_S)):
            self.tick()
        return self.journal[begun:]

    def heat(self) -> None:
        """A timetable with heat for both, and time enough for it to be followed."""
        self.plan(heat=True)
        self.run(320.0)
        assert self.last_sent() == {"boiler": True, "kettle": True}

    def plan(self, *, heat: bool) -> None:
        made_s = self.clock.now().utc_s
        plans = [make_plan(heater=h, heat=heat, made_s=made_s) for h in ("boiler", "kettle")]
        self.desk.plans = {plan.heater: plan for plan in plans}

    def last_sent(self) -> dict[str, bool]:
        return {command.heater: command.heat for command in sent(self.journal)}

    def cries(self) -> list[Decision]:
        lines = self.distress.getvalue().splitlines()
        return [from_plain(Decision, json.loads(line)["decision"]) for line in lines]


def sent(journal: Journal, heater: str | None = None) -> list[Command]:
    found = [item for kind, item in journal if kind == "send"]
    return [c for c in found if heater is None or c.heater == heater]


def recorded(journal: Journal, heater: str | None = None) -> list[Decision]:
    found = [item for kind, item in journal if kind == "record"]
    return [d for d in found if heater is None or d.heater == heater]
