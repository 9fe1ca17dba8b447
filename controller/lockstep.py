"""A clock paced from outside: demonstration and soak on the real service.

Whoever paces (the *pacer*) listens at a Unix socket. For each tick it sends the moment, sends its
sensor messages over MQTT once the service has set its clock, and then says how many messages
there have been. The service takes them, ticks, lets the planner finish, and answers how many
commands it has sent. Time goes on only after that, so speed never changes what is decided.

All lines are JSON objects::

    pacer    {"utc_s": 1765000000.0, "mono_s": 86400.0}
    service  {"set": true}
    pacer    {"messages": 4711}
    service  {"commands": {"boiler": 17}}
"""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from controller.clock import Clock
from controller.records.instant import Instant

LATEST_S = 32_503_680_000.0
"""The year 3000: no clock is paced beyond it [UTC s]."""
MESSAGES_WAIT_S = 10.0
"""Longest wait for messages that the pacer says it has sent [s, real time]."""


class NoPacer(Exception):
    """Nobody listens where the pacer should, or what it says makes no sense."""


class PacerGone(Exception):
    """The pacer has hung up in the middle of a tick."""


class Pace:
    """The service's end of the socket.

    Parameters
    ----------
    path : Path
        The Unix socket at which the pacer listens.

    Raises
    ------
    NoPacer
        Where nobody does.
    """

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.connect(str(path))
        except (OSError, ValueError) as error:
            self._socket.close()
            raise NoPacer(f"no pacer listens at {path}: {error}") from error
        self._mono_s = 0.0
        self._lines = self._socket.makefile("r", encoding="utf-8", errors="replace")

    def next_moment(self) -> Instant | None:
        """The moment of the next tick; None when the pacer has hung up.

        Raises
        ------
        NoPacer
            Where its line is none of a pacer's.
        """
        line = self._line()
        if not line:
            return None
        with _understood(line):
            data = json.loads(line)
            moment = Instant(float(data["utc_s"]), float(data["mono_s"]))
            if not 0.0 <= moment.utc_s < LATEST_S or not self._mono_s <= moment.mono_s < LATEST_S:
                raise ValueError(f"no moment that can follow {self._mono_s}")
        self._mono_s = moment.mono_s
        return moment

    def clock_is_set(self) -> int:
        """Say that the clock stands at that moment; the sensor messages sent so far come back.

        Raises
        ------
        PacerGone
        NoPacer
        """
        self._send({"set": True})
        line = self._line()
        if not line:
            raise PacerGone
        with _understood(line):
            return int(json.loads(line)["messages"])

    def done(self, commands: Mapping[str, int]) -> None:
        """Say that the tick is over: commands sent so far, by heater.

        Raises
        ------
        PacerGone
        """
        self._send({"commands": dict(commands)})

    def close(self) -> None:
        """Hang up."""
        self._lines.close()
        self._socket.close()

    def _send(self, line: Mapping[str, Any]) -> None:
        try:
            self._socket.sendall(json.dumps(line).encode() + b"\n")
        except OSError as error:
            raise PacerGone from error

    def _line(self) -> str:
        """The pacer's next line, empty when it has hung up."""
        try:
            return self._lines.readline()
        except OSError:
            return ""


@contextmanager
def _understood(line: str) -> Iterator[None]:
    """Turn every way in which a line can be none of a pacer's into NoPacer."""
    try:
        yield
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise NoPacer(f"the pacer's line makes no sense: {line.strip()[:80]!r}") from error


def wait_for(condition: Callable[[], bool], clock: Clock, *, seconds: float) -> bool:
    """Wait until something holds that another thread brings about; False when time is up."""
    pause = threading.Event()
    deadline_mono_s = clock.now().mono_s + seconds
    while not condition():
        if clock.now().mono_s >= deadline_mono_s:
            return False
        pause.wait(0.0002)
    return True
