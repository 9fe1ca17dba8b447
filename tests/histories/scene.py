"""One random history: the real guard in the made-up workshop, tick by tick, under the judge's eyes.

Real are the guard and all that it calls: intake, supervisor and rules, recorder, planning desk,
relay connection, and in every fourth history the store (SQLite; otherwise one in memory). Made up
are plant, sensors, broker, planner child and clock.
"""

from __future__ import annotations

import io
import json
import shutil
import tempfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from unittest import mock

from controller import guard as guard_module
from controller.calendar import Booking, Bookings, Hours, Once
from controller.clock import SteppedClock
from controller.guard import Guard, TakenOver
from controller.intake import Intake
from controller.planning_desk import PlanningDesk
from controller.records.instant import Instant
from controller.records.limits import TICK_S
from controller.requests import leave_acknowledgement
from tests.controller.builders import START, make_configuration
from tests.controller.guard_bench import FakeWatch, Fault
from tests.histories.instruments import Instruments, bare_site, full_site
from tests.histories.judge import Judge
from tests.histories.planner import Child
from tests.histories.plant import Board, Plant
from tests.histories.store import Store
from tests.histories.wire import Wire

HEATER = "boiler"
SEEMS_TO_FALL_K = 15.0
"""Fluid that warms by so much in no time makes a steady gauge look like a loss of water."""


class Distress(io.StringIO):
    """Standard error, read by the judge line by line."""

    def __init__(self, judge: Judge) -> None:
        super().__init__()
        self._judge = judge

    def write(self, text: str) -> int:
        self._judge.cry(json.loads(text)["decision"])
        return len(text)


class Scene:
    """Everything, with one method for each thing that can happen; see the state machine."""

    def __init__(
        self, *, seed: int, full: bool, reports: bool, timed: bool, period_s: float
    ) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="histories-", dir=_fast_folder()))
        make = full_site if full else bare_site
        self.site = make(reports=reports, timed=timed)
        self.clock = SteppedClock(START)
        self.board = Board(reports=reports, started_s=START.mono_s - 500.0)
        self.plant = Plant(self.board, START.mono_s)
        self.sensors = Instruments(self.site, self.plant, seed=seed, period_s=period_s)
        self.judge = Judge(self.site, self.plant)
        self.wire = Wire(self.board, self.site.heaters[0], self.clock)
        self.fault = Fault()
        self.watch = FakeWatch(make_configuration(self.folder, self.site), self.fault)
        self.store = Store(self.folder, self.judge, real=seed % 4 == 0)
        self.child = Child(seed)
        self.guard: Guard | None = None
        decide = self.judge.overhear(guard_module.decide)
        self._overheard = mock.patch.object(guard_module, "decide", decide)
        self._overheard.start()
        self.start()

    def close(self) -> None:
        self._overheard.stop()
        self.store.close()
        shutil.rmtree(self.folder)

    # --- the service ----------------------------------------------------------------------------

    def start(self) -> None:
        """A new process on the same store."""
        self.judge.started(self.clock.now().mono_s)
        self.sensors.lose()
        self.child.stop()
        limits = self.watch.current.limits
        desk = PlanningDesk(site=self.site, limits=limits, planner=self.child, store=self.store)
        self.guard = Guard(
            watch=self.watch,
            clock=self.clock,
            intake=Intake(self.site, self.sensors, on_forecast=desk.want_plans),
            relays={HEATER: self.wire.connect()},
            store=self.store,
            desk=desk,
            distress=Distress(self.judge),
        )

    def end(self, *, will: bool) -> None:
        """The process is gone, without a word of its own."""
        self.guard = None
        self.wire.process_ends(will=will)
        self.judge.ended(self.clock.now().mono_s, self.wire.sent)

    def stop(self) -> None:
        """A clean stop: the last thing that is said is OFF."""
        assert self.guard is not None
        self.guard.stop()
        assert self.wire.relay is not None
        self.wire.relay.send(self.guard.last_off(HEATER))
        self.end(will=False)

    def spoil_state(self) -> None:
        """The service comes back and cannot read what it had stored of the heater."""
        self.end(will=True)
        self.store.spoil_state()
        self.judge.state_lost()
        self.pass_time(1.0)
        self.start()

    # --- time -----------------------------------------------------------------------------------

    def tick(self, seconds: float = TICK_S) -> None:
        """Time goes on, then the guard ticks once."""
        self.pass_time(seconds)
        if self.guard is None:
            return
        self.judge.before_tick(
            self.clock.now(),
            self.sensors.heard,
            reachable=self.wire.reachable,
            store_fails=self.store.failing,
            surprise=self.fault.at is not None or self.child.raises,
        )
        self._guard_tick()
        self.judge.after_tick(self.wire.sent)

    def _guard_tick(self) -> None:
        assert self.guard is not None
        try:
            self.guard.tick()
        except TakenOver:
            self.end(will=True)
            self.pass_time(1.0)
            self.start()

    def pass_time(self, seconds: float) -> None:
        """The world alone goes on [s]."""
        while seconds > 1e-6:
            step_s = min(seconds, TICK_S)
            self.plant.advance(step_s)
            self.clock.advance(step_s)
            self.wire.run_on()
            if self.wire.broker_up and not self.wire.frozen:
                self.sensors.speak(self.clock.now())
            self.judge.watch(self.clock.now().mono_s)
            seconds -= step_s

    def set_clock(self, step_s: float) -> None:
        """Somebody sets the wall clock; the monotonic one runs on."""
        now = self.clock.now()
        self.judge.clock_set(step_s)
        self.clock.set(Instant(max(0.0, now.utc_s + step_s), now.mono_s))

    # --- sensors ----------------------------------------------------------------------------------

    def sensor_mode(self, name: str, mode: str, value: float) -> None:
        """From now on a sensor fails in this way; nothing where the site has none of that name."""
        instrument = self.sensors.all.get(name)
        if instrument is not None:
            instrument.mode, instrument.value = mode, value
            instrument.since_s = self.clock.now().mono_s

    def spike(self, name: str, values: list[float]) -> None:
        """A sensor's next readings."""
        instrument = self.sensors.all.get(name)
        if instrument is not None:
            instrument.once = list(values)

    def retained(self, name: str, value: float, old_s: float) -> None:
        """The broker hands out an old message."""
        if name in self.sensors.all and self.wire.broker_up:
            self.sensors.retained(name, value, self.clock.now(), old_s=old_s)

    # --- the end --------------------------------------------------------------------------------

    def heal_and_prove(self) -> None:
        """All is well again: then it heats by plan, unless it may be locked out, and after that.

        What a lockout without a cause, or a rule that never clears, would break.
        """
        warmed_k = 16.0 - self.plant.slab_c
        self._heal()
        heated = self._heats_within(180, since=90)
        seems_to_fall = self.judge.pressure_may_seem_to_fall() or warmed_k > SEEMS_TO_FALL_K
        if self.judge.refuses_on or seems_to_fall:
            return
        if not self.judge.hard.may_be_locked():
            self.judge.must(heated, "all is well, nothing is locked out, and yet no heat")
        self.acknowledge()
        heated = self._heats_within(90, since=0)
        self.judge.must(heated, "all is well, lockouts are acknowledged, and yet no heat")

    def _heal(self) -> None:
        for name in self.sensors.all:
            self.sensor_mode(name, "plain", 0.0)
            self.spike(name, [])
        self.sensors.state_late_s = 0.0
        plant, board, wire = self.plant, self.board, self.wire
        plant.slab_c = plant.supply_c = plant.return_c = 16.0
        plant.air_c, plant.outdoor_c, plant.fire_w, plant.flow = 14.0, 2.0, 0.0, True
        board.welded = board.deaf = False
        wire.slow_s, wire.broker_up = 0.0, True
        self.store.failing, self.child.kind, self.fault.at = False, "on", None
        self.cancel()

    def _heats_within(self, ticks: int, *, since: int) -> bool:
        """Whether the contact was closed at any tick from the one numbered ``since`` on."""
        heated = False
        for number in range(ticks):
            self.tick()
            heated = heated or (number >= since and self.board.closed(self.clock.now().mono_s))
        return heated

    # --- the owner ------------------------------------------------------------------------------

    def book(self, in_s: float, hours: float, target_c: float) -> None:
        """One session, in place of those before."""
        start = datetime.fromtimestamp(self.clock.now().utc_s + in_s, UTC)
        end = datetime.fromtimestamp(start.timestamp() + hours * 3600.0, UTC)
        booked = Hours(start.time(), end.time(), overnight=end.date() != start.date())
        booking = Booking("bench", "bay", booked, Once(start.date()), target_c)
        self._take_up(bookings=Bookings((booking,), {}))

    def cancel(self) -> None:
        self._take_up(bookings=Bookings((), {}))

    def _take_up(self, **changes: Any) -> None:
        self.watch.edited = replace(self.watch.edited or self.watch.current, **changes)

    def acknowledge(self) -> None:
        leave_acknowledgement(self.folder, HEATER, at_s=self.clock.now().utc_s)
        self.judge.acknowledged()


def _fast_folder() -> str | None:
    """Memory where the system offers it: no history needs its store to survive the machine."""
    memory = Path("/dev/shm")
    return str(memory) if memory.is_dir() else None
