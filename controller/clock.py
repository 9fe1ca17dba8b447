"""The only reader of time. Everything else takes the moment as an argument."""

from __future__ import annotations

import time
from typing import Protocol

from controller.records.instant import Instant


class Clock(Protocol):
    """Anything that says what time it is."""

    def now(self) -> Instant:
        """The present moment."""
        ...


class SystemClock:
    """The machine's own clocks.

    The monotonic one goes on while the machine sleeps, so that a reading is as old after it as it
    is in truth.
    """

    def now(self) -> Instant:
        """The present moment, wall time and monotonic time read together."""
        return Instant(time.time(), time.clock_gettime(time.CLOCK_BOOTTIME))


class SteppedClock:
    """A clock that stands still until it is moved: rehearsal, demonstration and tests."""

    def __init__(self, start: Instant) -> None:
        self._now = start

    def now(self) -> Instant:
        """The moment last set."""
        return self._now

    def set(self, moment: Instant) -> None:
        """Go to a moment; monotonic time may not go back.

        Raises
        ------
        ValueError
            Where ``moment`` lies before the present one on the monotonic clock.
        """
        if moment.mono_s < self._now.mono_s:
            raise ValueError(f"monotonic time cannot go back from {self._now} to {moment}")
        self._now = moment

    def advance(self, seconds: float) -> None:
        """Let both clocks run on [s]."""
        self.set(Instant(self._now.utc_s + seconds, self._now.mono_s + seconds))
