"""A client of MQTT that goes as a test says, and a relay whose keeper runs in the test's thread."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import pytest
from paho.mqtt.enums import MQTTErrorCode

from controller.clock import SteppedClock
from controller.records.site import Broker, Heater
from controller.relays import mqtt
from controller.relays.mqtt import MqttRelay


class Closing:
    """Stands for the event that ends the keeper: remembers each pause, and passes at once."""

    def __init__(self) -> None:
        self.is_told = False
        self.pauses_s: list[float] = []

    def is_set(self) -> bool:
        return self.is_told

    def set(self) -> None:
        self.is_told = True

    def wait(self, timeout_s: float) -> None:
        self.pauses_s.append(timeout_s)


@dataclass
class Fake:
    """A client of MQTT whose connections go as the test has said."""

    attempt: Callable[[Fake], None]
    connects: bool = True
    subscribed: list[tuple[str, int]] = field(default_factory=list)
    published: list[bytes] = field(default_factory=list)
    on_connect: Any = None
    on_disconnect: Any = None
    on_message: Any = None
    on_publish: Any = None
    on_subscribe: Any = None
    refuses: int = 0
    """The reason code by which the broker refuses what is published, 0 for none."""
    publishes: MQTTErrorCode = MQTTErrorCode.MQTT_ERR_SUCCESS

    def will_set(self, *_: Any, **__: Any) -> None:
        pass

    def connect(self, *_: Any, **__: Any) -> None:
        if self.connects:
            return
        self.attempt(self)

    def loop_start(self) -> None:
        self.attempt(self)

    def loop_stop(self) -> None:
        pass

    def disconnect(self) -> None:
        pass

    def socket(self) -> None:
        return None

    def subscribe(self, topic: str, qos: int) -> None:
        self.subscribed.append((topic, qos))

    def publish(self, topic: str, payload: bytes, **_: Any) -> Any:
        self.published.append(payload)
        if self.refuses:
            self.on_publish(self, None, 1, Reason(self.refuses, is_failure=True), None)
        return SimpleNamespace(
            rc=self.publishes, wait_for_publish=lambda _: None, is_published=lambda: True
        )

    def accept(self, *, fails: bool = False) -> None:
        self.on_connect(self, None, None, Reason(0, fails), None)

    def end(self, reason: int = 0, *, by_packet: bool = False) -> None:
        flags = SimpleNamespace(is_disconnect_packet_from_server=by_packet)
        self.on_disconnect(self, None, flags, Reason(reason), None)


@dataclass(frozen=True)
class Reason:
    """A reason code as the library gives it."""

    value: int
    is_failure: bool = False

    def __str__(self) -> str:
        return "Not authorized" if self.is_failure else "Success"


class Keeper:
    """One relay and the attempts that its keeper makes, run to their end in this thread."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, heater: Heater, clock: SteppedClock
    ) -> None:
        self.clock = clock
        self.relay = MqttRelay(Broker("broker.test", 1883), heater, client_id="c", clock=clock)
        self.closing = Closing()
        monkeypatch.setattr(self.relay, "_closing", self.closing)
        self.clients: list[Fake] = []
        self._script: list[Fake] = []
        monkeypatch.setattr(mqtt, "new_client", self._next)

    def run(self, *attempts: Fake) -> None:
        """Make these attempts one after the other, or fewer where the relay gives up."""
        self.closing.is_told = False
        self._script = list(attempts)
        self.relay._keep()

    def _next(self, *_: Any, client_id: str, reconnects: bool) -> Fake:
        assert (client_id, reconnects) == ("c", False), "the keeper alone reconnects"
        client = self._script.pop(0)
        self.clients.append(client)
        if not self._script:
            last = client.attempt

            def and_close(fake: Fake) -> None:
                try:
                    last(fake)
                finally:
                    self.closing.set()

            client.attempt = and_close
        return client

    def stood(self, lasted_s: float, reason: int = 0, *, by_packet: bool = False) -> Fake:
        """A connection that was accepted and ended after a time."""

        def attempt(client: Fake) -> None:
            client.accept()
            self.clock.advance(lasted_s)
            client.end(reason, by_packet=by_packet)

        return Fake(attempt)


def broken(error: Exception) -> Fake:
    """One that did not come about."""

    def attempt(_: Fake) -> None:
        raise error

    return Fake(attempt, connects=False)


def refused() -> Fake:
    """One that the broker refused by name."""

    def attempt(client: Fake) -> None:
        client.accept(fails=True)
        client.end()

    return Fake(attempt)


def silent() -> Fake:
    """One that the broker broke off before it had accepted it."""
    return Fake(lambda client: client.end())
