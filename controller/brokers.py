"""A private MQTT broker on a free port of this machine, for the tests and the demonstration.

Mosquitto where it is installed, else amqtt, which needs no installation beyond Python. Every use
gets a fresh one that keeps nothing on disk: amqtt hands retained messages to clients that never
subscribed to them, so that a broker with a past would disturb the next user.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import os
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

HOST = "127.0.0.1"
READY_TRIES = 200
TRY_S = 0.05
"""A broker has ``READY_TRIES`` times ``TRY_S`` to open its port [s]."""
END_S = 5.0
PORT_TRIES = 3

KINDS = ("auto", "mosquitto", "amqtt")


class BrokerNotStarted(RuntimeError):
    """No broker could be started."""


@dataclass(frozen=True, slots=True)
class PrivateBroker:
    """A running broker: where it is, which one, and its process id."""

    host: str
    port: int
    kind: str
    pid: int


def mosquitto_path() -> str | None:
    """Where Mosquitto is installed, None where it is not."""
    # its package puts it in sbin, which is not on every user's path
    path = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"))
    return shutil.which("mosquitto", path=path)


@contextmanager
def start_broker(kind: str = "auto", *, port: int | None = None) -> Iterator[PrivateBroker]:
    """Run a broker for the time of a ``with`` block.

    Parameters
    ----------
    kind : str
        ``mosquitto``, ``amqtt``, or ``auto`` for Mosquitto where it is installed, else amqtt.
    port : int, optional
        One that must be free; otherwise one is found.

    Yields
    ------
    PrivateBroker
        Which listens on the loopback interface only, and lets everyone in.

    Raises
    ------
    ValueError
        For another kind.
    BrokerNotStarted
        Where it is not installed, its port is taken, or it does not open it in time.
    """
    if kind not in KINDS:
        raise ValueError(f"no broker of kind {kind!r}; there is {', '.join(KINDS)}")
    if kind == "auto":
        kind = "mosquitto" if mosquitto_path() else "amqtt"
    if port is not None and _answers(port):
        raise BrokerNotStarted(f"port {port} on {HOST} is taken by another program")
    with tempfile.TemporaryDirectory(prefix="slabtide-broker-") as folder:
        process, taken = _start(kind, Path(folder), port)
        try:
            yield PrivateBroker(HOST, taken, kind, process.pid)
        finally:
            _end(process)


def _start(kind: str, folder: Path, port: int | None) -> tuple[subprocess.Popen[bytes], int]:
    """Start a broker; with another port where the free one was snatched away meanwhile."""
    for _ in range(PORT_TRIES if port is None else 1):
        tried = _free_port() if port is None else port
        log = folder / "log"
        with log.open("wb") as output:
            process = subprocess.Popen(
                _command(kind, folder, tried),
                stdin=subprocess.PIPE,
                stdout=output,
                stderr=subprocess.STDOUT,
            )
        if _is_ready(process, tried):
            return process, tried
        _end(process)
    said = log.read_text(errors="replace").strip()[-500:]
    raise BrokerNotStarted(f"{kind} opened no port {tried} on {HOST}: {said or 'it said nothing'}")


def _command(kind: str, folder: Path, port: int) -> list[str]:
    if kind == "amqtt":
        return [sys.executable, "-m", "controller.brokers", str(port)]
    mosquitto = mosquitto_path()
    if mosquitto is None:
        raise BrokerNotStarted("mosquitto is not installed; amqtt needs no installation")
    configuration = folder / "mosquitto.conf"
    configuration.write_text(
        f"listener {port} {HOST}\nallow_anonymous true\npersistence false\nlog_type error\n"
        # a paced clock waits for every message: none should wait for another to fill a packet
        "set_tcp_nodelay true\n"
    )
    return [mosquitto, "-c", str(configuration)]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
    return port


def _is_ready(process: subprocess.Popen[bytes], port: int) -> bool:
    """Wait until the port takes a connection; False when the process ends or time is up."""
    for _ in range(READY_TRIES):
        try:
            process.wait(TRY_S)
        except subprocess.TimeoutExpired:
            if _answers(port):
                return True
        else:
            return False
    return False


def _answers(port: int) -> bool:
    try:
        socket.create_connection((HOST, port), timeout=1.0).close()
    except OSError:
        return False
    return True


def _end(process: subprocess.Popen[bytes]) -> None:
    """End our own process, by its own handle."""
    process.terminate()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdin is not None:
        process.stdin.close()


async def _run_amqtt(port: int) -> None:
    """Run amqtt until standard input ends, as it does when the parent is gone."""
    from amqtt.broker import Broker  # only in the process that is to be a broker

    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
            "plugins": {
                "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
            },
        }
    )
    await broker.start()
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await broker.shutdown()


def _main() -> None:
    parser = argparse.ArgumentParser(description="A private amqtt broker for tests.")
    parser.add_argument("port", type=int)
    port = parser.parse_args().port
    logging.disable(logging.CRITICAL)  # amqtt logs every packet
    asyncio.run(_run_amqtt(port))


if __name__ == "__main__":
    _main()
