"""The guard watches itself: a tick that hangs ends the process, so that the will speaks.

A thread of its own, on monotonic time. It ends the process without a DISCONNECT: the broker
then publishes the will, which is OFF, and the service manager starts the service anew.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable

from controller.clock import Clock

HANG_S = 30.0
"""Longest time between two finished ticks [s]."""
EXIT_HUNG = 70
"""Exit code of a process that ended itself."""


def end_process() -> None:
    """Leave at once: no clean-up, no DISCONNECT."""
    os._exit(EXIT_HUNG)


class Watchdog:
    """Ends the process when no tick has finished for ``hang_s``.

    Parameters
    ----------
    clock : Clock
        Real time, also where the service itself runs on a stepped clock.
    hang_s : float
    bite : callable
        What ends the process.
    """

    def __init__(
        self, clock: Clock, *, hang_s: float = HANG_S, bite: Callable[[], None] = end_process
    ) -> None:
        self._clock, self._hang_s, self._bite = clock, hang_s, bite
        self._patted_mono_s: float | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="watchdog", daemon=True)

    def start(self) -> None:
        """Begin to watch; the first tick must finish within ``hang_s`` too."""
        self.pat()
        self._thread.start()

    def pat(self) -> None:
        """Say that a tick has finished (or, on a stepped clock, that one begins)."""
        self._patted_mono_s = self._clock.now().mono_s

    def rest(self) -> None:
        """Stop counting until the next pat: no tick is due while a stepped clock stands still."""
        self._patted_mono_s = None

    def stop(self) -> None:
        """Cease to watch."""
        self._stop.set()

    def since_pat_s(self) -> float:
        """Time since the last finished tick [s]; 0 while resting."""
        patted = self._patted_mono_s
        return 0.0 if patted is None else self._clock.now().mono_s - patted

    def hung(self) -> bool:
        """Whether the last finished tick is too long ago."""
        return self.since_pat_s() > self._hang_s

    def _watch(self) -> None:
        while not self._stop.wait(1.0):
            if self.hung():
                self._bite()
                return
