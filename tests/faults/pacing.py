"""The service in lockstep: one stepped clock for it, the sensors and the relay."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from controller.clock import SteppedClock
from controller.records.instant import Instant
from controller.records.limits import TICK_S
from controller.rehearsal.pacer import Pacer
from tests.faults.bench import HEATER, Service, Workshop, within
from tests.faults.timers import PACED

START = Instant(
    datetime(2027, 1, 13, 6, tzinfo=ZoneInfo("America/New_York")).timestamp(), mono_s=100_000.0
)
"""A Wednesday in winter."""
SENSE_S = 60.0


class Paced:
    """Leads services through ticks, one after another, on one workshop.

    Attributes
    ----------
    trusting : bool
        Whether all messages arrive, and are waited for. A test that cuts them off says no.
    """

    def __init__(self, workshop: Workshop, clock: SteppedClock) -> None:
        self.workshop, self.clock = workshop, clock
        self.trusting = True
        self.service: Service | None = None
        self._pacer: Pacer | None = None
        self._said = self._heard_before = 0
        self._next_sense_mono_s = 0.0
        self._count = 0

    def start(self, **strike: str | bool) -> Service:
        """Start a service; it stands before its first tick."""
        self._count += 1
        socket = self.workshop.folder / f"pace-{self._count}"
        self._pacer = Pacer(socket)
        self._heard_before, self._said = len(self.workshop.relay.heard), 0
        self._next_sense_mono_s = 0.0
        self.service = Service(self.workshop, "--lockstep", str(socket), timers=PACED, **strike)
        self._pacer.accept()
        return self.service

    def tick(self, count: int = 1) -> None:
        """Ticks, each followed by ten seconds in the workshop.

        Raises
        ------
        ServiceGone
            Where the service ends in one.
        """
        for _ in range(count):
            self.step()
            self.pass_time(TICK_S)

    def step(self) -> None:
        """One tick alone; time has to pass before the next."""
        assert self._pacer is not None
        commands = self._pacer.step(self.clock.now(), self._say)
        if self.trusting:
            wanted = self._heard_before + commands[HEATER]
            within(10.0, lambda: len(self.workshop.relay.heard) >= wanted, 0.001)

    def tick_until(self, heating: bool, *, at_most: int = 60) -> int:
        """Tick until the contact is as wanted; how many it took."""
        for count in range(at_most):
            if self.workshop.relay.closed is heating:
                return count
            self.tick()
        raise AssertionError(f"the contact is not {heating} after {at_most} ticks")

    def pass_time(self, seconds: float) -> None:
        """Time passes for sensors and relay, and for a service from its next tick on."""
        for _ in range(round(seconds)):
            self.workshop.relay.sample()
            self.clock.advance(1.0)

    def open_after(self, *, at_most_s: float) -> float:
        """Let time pass until the contact is open; how long that took [s]."""
        for second in range(round(at_most_s) + 1):
            if not self.workshop.relay.closed:
                return float(second)
            self.pass_time(1.0)
        raise AssertionError(f"the contact is still closed after {at_most_s} s")

    def stop(self) -> int:
        """Hang up: the service stops cleanly; its exit code."""
        assert self._pacer is not None
        assert self.service is not None
        self._pacer.__exit__(None, None, None)
        return self.service.ended()

    def end(self) -> None:
        """Whatever runs."""
        if self._pacer is not None:
            self._pacer.__exit__(None, None, None)
        if self.service is not None:
            self.service.end()

    def _say(self) -> int:
        workshop, count = self.workshop, 0
        if self.clock.now().mono_s >= self._next_sense_mono_s:
            self._next_sense_mono_s = self.clock.now().mono_s + SENSE_S
            count += workshop.say()
        count += workshop.relay.report()
        if self.trusting:
            self._said += count
        return self._said


@contextlib.contextmanager
def paced_workshop(folder: Path, port: int, **more: object) -> Iterator[Paced]:
    """A workshop on a stepped clock, and what leads services on it."""
    clock = SteppedClock(START)
    workshop = Workshop(folder, port, clock, answers=False, **more)
    paced = Paced(workshop, clock)
    try:
        yield paced
    finally:
        paced.end()
        workshop.end()
