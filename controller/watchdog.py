"""The guard watches itself: a tick that hangs ends the process, so that the will speaks.

A thread of its own, on monotonic time. It ends the process without a DISCONNECT: the broker
then publishes the will, which is OFF, and the service manager starts the service anew. What holds
the interpreter itself stops that thread too: for this the manager, where it is systemd, hears of
every finished tick and kills a service that it no longer hears of.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
import threading
from collections.abc import Callable

from controller.clock import Clock

HANG_S = 30.0
"""Longest time between two finished ticks [s]."""
EXIT_HUNG = 70
"""Exit code of a process that ended itself."""


def last_words(text: str) -> None:
    """Write a line to standard error, where that is possible at once.

    Straight to the system, as whoever hangs may hold the lock of a logger or of ``sys.stderr``;
    and only where it takes a line without waiting, as a full pipe may be what the tick hangs on.
    """
    with contextlib.suppress(OSError, ValueError):
        number = sys.__stderr__.fileno() if sys.__stderr__ else 2
        door = select.poll()
        door.register(number, select.POLLOUT)
        if any(event & select.POLLOUT for _, event in door.poll(0)):
            os.write(number, f"{text}\n".encode()[: select.PIPE_BUF])


def tell_manager() -> None:
    """Tell systemd that a tick has finished, where it has started this process and asks."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    name = f"\0{address[1:]}" if address.startswith("@") else address
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as door:
        door.setblocking(False)
        door.sendto(b"WATCHDOG=1", name)


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
        tell_manager()

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
            late_s = self.since_pat_s()
            if late_s > self._hang_s:
                last_words(
                    f"CRITICAL no tick has finished for {late_s:.0f} s: this process ends itself "
                    f"with code {EXIT_HUNG}, so that the broker says OFF in its place"
                )
                self._bite()
                return
