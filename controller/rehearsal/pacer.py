"""The pacer's end of the lockstep socket: time goes on only when the service is done."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

from controller.records.instant import Instant

ANSWER_WAIT_S = 360.0
"""Longest wait for the service's answer [s, real time]: longer than its planner may take."""


class ServiceGone(Exception):
    """The paced service has ended or does not answer."""


class Pacer:
    """Listens at a Unix socket for one service and leads it from tick to tick.

    Parameters
    ----------
    path : Path
        Where to listen; must not exist.
    wait_s : float
        Longest wait for the service [s, real time].
    """

    def __init__(self, path: Path, *, wait_s: float = ANSWER_WAIT_S) -> None:
        self._wait_s = wait_s
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listener.bind(str(path))
        path.chmod(0o600)  # before anybody is let in
        self._listener.listen(1)
        self._listener.settimeout(wait_s)
        self._connection: socket.socket | None = None
        self._buffer = b""

    def __enter__(self) -> Pacer:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.hang_up()
        self._listener.close()

    def accept(self) -> None:
        """Wait for the service to connect; one that was here before is forgotten.

        Raises
        ------
        ServiceGone
            Where none comes.
        """
        self.hang_up()
        try:
            self._connection, _ = self._listener.accept()
        except TimeoutError as error:
            raise ServiceGone("the service has not connected") from error
        self._connection.settimeout(self._wait_s)

    def step(self, moment: Instant, send_messages: Callable[[], int]) -> dict[str, int]:
        """Lead the service through one tick.

        Parameters
        ----------
        moment : Instant
            Of this tick.
        send_messages : callable
            Sends the sensors' messages of this moment and gives the number of all so far.

        Returns
        -------
        dict of str to int
            Commands sent so far, by heater, pump and valve.

        Raises
        ------
        ServiceGone
            Where it does not answer.
        """
        self._send({"utc_s": moment.utc_s, "mono_s": moment.mono_s})
        self._receive()
        self._send({"messages": send_messages()})
        commands: dict[str, int] = self._receive()["commands"]
        return commands

    def hang_up(self) -> None:
        """Tell the service that there are no more ticks: it stops cleanly."""
        if self._connection is not None:
            self._connection.close()
        self._connection, self._buffer = None, b""

    def _send(self, line: dict[str, Any]) -> None:
        if self._connection is None:
            raise ServiceGone("no service is connected")
        try:
            self._connection.sendall(json.dumps(line).encode() + b"\n")
        except OSError as error:
            raise ServiceGone("the service has hung up") from error

    def _receive(self) -> dict[str, Any]:
        if self._connection is None:
            raise ServiceGone("no service is connected")
        while b"\n" not in self._buffer:
            try:
                chunk = self._connection.recv(65536)
            except OSError as error:
                raise ServiceGone("the service does not answer") from error
            if not chunk:
                raise ServiceGone("the service has hung up")
            self._buffer += chunk
        line, _, self._buffer = self._buffer.partition(b"\n")
        answer: dict[str, Any] = json.loads(line)
        return answer
