"""The way between the guard's relay connection and the board: a broker that can be away or frozen.

The guard's own ``MqttRelay`` is used as it is, with a stand-in for the MQTT library's client under
it: what it publishes, its will and its first OFF all come through here.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

from paho.mqtt.enums import MQTTErrorCode

from controller.clock import Clock
from controller.records.site import Broker, Heater
from controller.relays.mqtt import MqttRelay
from tests.histories.plant import Board

WILL = json.dumps({"heat": False}).encode()
NOTICED_S = 25.0
"""One and a half keep-alives and a little: both ends know then that a link is dead [s]."""


@dataclass(frozen=True, slots=True)
class Sent:
    """One message as the guard gave it to its connection."""

    mono_s: float
    payload: bytes
    qos: int
    retain: bool

    @property
    def heat(self) -> bool:
        return bool(json.loads(self.payload)["heat"])


class Client:
    """What stands in for the library's client: publishes into the wire while it is connected."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool) -> Any:
        ok = self._wire.client is self and self._wire.take(payload, qos, retain)
        rc = MQTTErrorCode.MQTT_ERR_SUCCESS if ok else MQTTErrorCode.MQTT_ERR_NO_CONN
        return SimpleNamespace(rc=rc)

    def subscribe(self, topic: str, qos: int) -> None:
        assert topic

    def socket(self) -> None:
        return None


class Wire:
    """Guard, broker and board, and what is under way between them."""

    def __init__(self, board: Board, heater: Heater, clock: Clock) -> None:
        self.board, self._heater, self._clock = board, heater, clock
        self.client: Client | None = None
        self.relay: MqttRelay | None = None
        self.broker_up = True
        self.frozen = False
        self.sent: list[Sent] = []
        """All that was sent since the judge last looked."""
        self.slow_s = 0.0
        """How long the board's own link holds a message up [s]."""
        self._held_up: list[bytes] = []
        self._under_way: list[tuple[float, bytes]] = []
        self._reconnect_at_s = 0.0
        self._lost_at_s: float | None = None

    @property
    def reachable(self) -> bool:
        """Whether an ON can be said: a board that makes reports must have made one."""
        if self.client is None or self.relay is None:
            return False
        return self._heater.relay.report_topic is None or self.relay.report is not None

    def connect(self) -> MqttRelay:
        """A new process opens its connection; it stands at once where the broker is well."""
        broker = Broker("127.0.0.1", 1883)
        self.relay = MqttRelay(broker, self._heater, client_id="histories", clock=self._clock)
        self._reconnect_at_s = 0.0
        self.run_on()
        return self.relay

    def take(self, payload: bytes, qos: int, retain: bool) -> bool:
        """One publish of the guard: into the board, or into a queue where the broker is frozen."""
        now_s = self._clock.now().mono_s
        self.sent.append(Sent(now_s, payload, qos, retain))
        if self.frozen:
            self._held_up.append(payload)
        else:
            self._deliver(payload, now_s)
        return True

    def _deliver(self, payload: bytes, now_s: float) -> None:
        if self.slow_s or self._under_way:
            self._under_way.append((now_s + self.slow_s, payload))
        else:
            self.board.hear(payload, now_s)

    def run_on(self) -> None:
        """What happens by itself between two ticks: reports, lost and new connections, wills."""
        now_s = self._clock.now().mono_s
        while self._under_way and self._under_way[0][0] <= now_s:
            self.board.hear(self._under_way.pop(0)[1], now_s)
        if self._lost_at_s is not None and now_s >= self._lost_at_s:
            self._lose()
        ready = self.relay is not None and self.client is None and self.broker_up
        if ready and not self.frozen and now_s >= self._reconnect_at_s:
            self._accept()
        if self.client is not None and not self.frozen and self.broker_up and not self.board.deaf:
            self._report(now_s)

    def freeze(self) -> None:
        """The broker stops working but its connections stand."""
        self.frozen = True
        if self.client is not None:
            self._lost_at_s = self._clock.now().mono_s + NOTICED_S

    def thaw(self) -> None:
        """What was held up comes in order, then the will of a connection lost meanwhile."""
        self.frozen = False
        now_s = self._clock.now().mono_s
        held_up, self._held_up = self._held_up, []
        for payload in held_up:
            self._deliver(payload, now_s)
        if self.client is None:
            self._deliver(WILL, now_s)
        self._lost_at_s = None

    def break_off(self, *, will: bool) -> None:
        """The connection ends at once; the broker, if it lives, speaks the will."""
        self._lose()
        if will and self.broker_up:
            if self.frozen:
                self._held_up.append(WILL)
            else:
                self._deliver(WILL, self._clock.now().mono_s)

    def broker_dies(self) -> None:
        self.broker_up, self.frozen, self._held_up = False, False, []
        self._lose()

    def process_ends(self, *, will: bool) -> None:
        """The guard's process is gone, and with it its connection."""
        self.relay = None
        if self.client is not None:
            self.break_off(will=will)

    def _accept(self) -> None:
        assert self.relay is not None
        self.client = Client(self)
        self.relay._client = self.client
        reason = SimpleNamespace(is_failure=False)
        self.relay._on_connect(self.client, None, SimpleNamespace(), reason, None)

    def _lose(self) -> None:
        client, self.client, self._lost_at_s = self.client, None, None
        self._reconnect_at_s = self._clock.now().mono_s + 1.0
        if client is not None and self.relay is not None:
            flags = SimpleNamespace(is_disconnect_packet_from_server=False)
            self.relay._on_disconnect(client, None, flags, SimpleNamespace(value=0), None)

    def _report(self, now_s: float) -> None:
        topic = self._heater.relay.report_topic
        if topic is None or self.relay is None:
            return
        message = SimpleNamespace(retain=False, topic=topic, payload=self.board.says(now_s))
        self.relay._on_message(self.client, None, message)
