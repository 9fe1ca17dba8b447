"""Brokers and workshops for the fault scenarios, and where their worst cases are noted."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from controller.brokers import PrivateBroker, mosquitto_path, start_broker
from controller.clock import SystemClock
from tests.faults.bench import Workshop
from tests.faults.pacing import Paced, paced_workshop
from tests.faults.timers import SLACK_S

Noted = Callable[..., None]


class RunningBroker:
    """A broker that may be killed and come back on its port, with nothing kept."""

    def __init__(self, kind: str) -> None:
        self._kind, self._stack = kind, ExitStack()
        self.private: PrivateBroker = self._stack.enter_context(start_broker(kind))

    @property
    def port(self) -> int:
        return self.private.port

    @property
    def pid(self) -> int:
        return self.private.pid

    def go_away(self) -> None:
        self._stack.close()

    def come_back(self) -> None:
        self.private = self._stack.enter_context(start_broker(self._kind, port=self.port))


@pytest.fixture(scope="session", autouse=True)
def _mosquitto() -> None:
    """With amqtt, which lets two clients of one name stay, most of these were seen to fail."""
    if mosquitto_path() is None and os.environ.get("SLABTIDE_REQUIRE_BROKER") != "1":
        pytest.skip("mosquitto is not installed")


@pytest.fixture
def broker() -> Iterator[RunningBroker]:
    """Mosquitto."""
    running = RunningBroker("mosquitto")
    yield running
    running.go_away()


@pytest.fixture
def paced(tmp_path: Path, broker: RunningBroker) -> Iterator[Paced]:
    with paced_workshop(tmp_path, broker.port) as made:
        yield made


@pytest.fixture
def make_live(tmp_path: Path) -> Iterator[Callable[..., Workshop]]:
    """Make a workshop on real time."""
    with ExitStack() as stack:

        def make(port: int, **more: object) -> Workshop:
            made = Workshop(tmp_path, port, SystemClock(), **more)
            stack.callback(made.end)
            return made

        yield make


@pytest.fixture
def noted(request: pytest.FixtureRequest) -> Noted:
    """Note how long after a fault the heater was off at the relay.

    Printed (``pytest -rP``), and added to the file that ``SLABTIDE_FAULTS_OUT`` names.
    """

    def note(fault: str, seconds: float, *, bound_s: float, clock: str = "real") -> None:
        test = f"{request.node.path.name}::{request.node.name}"
        row = {"fault": fault, "off_s": seconds, "bound_s": bound_s, "clock": clock, "test": test}
        print(json.dumps(row))
        if path := os.environ.get("SLABTIDE_FAULTS_OUT"):
            with Path(path).open("a") as file:
                file.write(json.dumps(row) + "\n")
        assert seconds <= bound_s + (SLACK_S if clock == "real" else 0.0)

    return note
