"""Real brokers on this machine, and clients of them: what every broker must do for us."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from controller.brokers import PrivateBroker, mosquitto_path, start_broker
from controller.clock import SteppedClock
from controller.records.instant import Instant
from controller.records.site import Broker, Heater, Relay
from controller.rehearsal.relay_board import LeaseBoard, Receipt
from controller.relays.mqtt import MqttRelay
from controller.sensors.mqtt import SensorIntake

ORDER = "shed/heater/order"
SAYS = "shed/heater/says"

Eventually = Callable[..., None]


@pytest.fixture
def eventually() -> Eventually:
    def wait_for(condition: Callable[[], object], within_s: float = 30.0) -> None:
        """Poll until a condition holds; fail at the deadline."""
        pause = threading.Event()
        for _ in range(int(within_s / 0.01)):
            if condition():
                return
            pause.wait(0.01)
        pytest.fail(f"did not become true within {within_s} s")

    return wait_for


class RunningBroker:
    """A broker that can be stopped and started again on its port."""

    def __init__(self, kind: str, protocol: str) -> None:
        self.kind, self.protocol = kind, protocol
        self._stack = ExitStack()
        self.private: PrivateBroker = self._stack.enter_context(start_broker(kind))

    @property
    def address(self) -> Broker:
        return Broker(self.private.host, self.private.port, self.protocol)

    def go_away(self) -> None:
        self._stack.close()

    def come_back(self) -> None:
        self.private = self._stack.enter_context(start_broker(self.kind, port=self.private.port))


@pytest.fixture(
    params=[("mosquitto", "5"), ("mosquitto", "3.1.1"), ("amqtt", "3.1.1")], ids="-".join
)
def broker(request: pytest.FixtureRequest) -> Iterator[RunningBroker]:
    """Every broker and protocol that we promise to work with."""
    kind, protocol = request.param
    absent = kind == "mosquitto" and mosquitto_path() is None
    if absent and os.environ.get("SLABTIDE_REQUIRE_BROKER") != "1":
        pytest.skip("mosquitto is not installed")
    running = RunningBroker(kind, protocol)
    yield running
    running.go_away()


@dataclass
class Peer:
    """A plain client beside ours: it hears topics and may say something."""

    broker: Broker
    topics: tuple[str, ...] = ()
    react: Callable[[Peer, paho.MQTTMessage], None] | None = None
    heard: list[paho.MQTTMessage] = field(default_factory=list)
    subscribed: bool = False

    def __post_init__(self) -> None:
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2,
            protocol=paho.MQTTv5 if self.broker.protocol == "5" else paho.MQTTv311,
        )
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message
        self.client.reconnect_delay_set(1, 1)
        self.client.connect_async(self.broker.host, self.broker.port)
        self.client.loop_start()

    def payloads(self) -> list[bytes]:
        return [message.payload for message in self.heard]

    def say(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        self.client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(10.0)

    def end(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, client, userdata, flags, reason, properties) -> None:
        if self.topics:
            client.subscribe([(topic, 1) for topic in self.topics])
        else:
            self.subscribed = True

    def _on_subscribe(self, *args) -> None:
        self.subscribed = True

    def _on_message(self, client, userdata, message) -> None:
        # amqtt hands out retained messages that nobody asked for
        if message.topic in self.topics:
            self.heard.append(message)
            if self.react is not None:
                self.react(self, message)


@pytest.fixture
def peer(broker: RunningBroker, eventually: Eventually) -> Iterator[Callable[..., Peer]]:
    """Make a client that is connected and subscribed when it is handed over."""
    peers: list[Peer] = []

    def make(*topics: str, react=None) -> Peer:
        made = Peer(broker.address, topics, react)
        peers.append(made)
        eventually(lambda: made.subscribed)
        return made

    yield make
    for made in peers:
        made.end()


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(Instant(utc_s=1_700_000_000.0, mono_s=1000.0))


@pytest.fixture
def heater() -> Heater:
    relay = Relay(command_topic=ORDER, leases=True, report_topic=SAYS)
    return Heater("boiler", 6000.0, 60.0, loops=("loop",), relay=relay)


@pytest.fixture
def relay(broker, heater, clock) -> Iterator[MqttRelay]:
    """Our connection to the relay; broken off at the end, whatever the test did."""
    made = MqttRelay(broker.address, heater, client_id="slabtide-boiler", clock=clock)
    yield made
    made.abandon()


@dataclass
class BoardOnWire:
    """A board that knows leases, at the other end of the wire."""

    board: LeaseBoard
    peer: Peer
    receipts: list[Receipt]


REPORT_S = 0.2
"""A board repeats its report, so that one which nobody heard yet does no harm [s]."""


@pytest.fixture
def wired_board(peer, clock) -> Iterator[BoardOnWire]:
    """Takes commands and reports, after each and in between; an ON answers the latest report."""
    board = LeaseBoard(started_mono_s=clock.now().mono_s)
    receipts: list[Receipt] = []

    def react(me: Peer, message: paho.MQTTMessage) -> None:
        receipts.append(board.receive(message.payload, clock.now().mono_s))
        me.client.publish(SAYS, board.report(clock.now().mono_s))

    wired = BoardOnWire(board, peer(ORDER, react=react), receipts)
    ended = threading.Event()

    def repeat() -> None:
        while not ended.wait(REPORT_S):
            wired.peer.client.publish(SAYS, board.report(clock.now().mono_s))

    reporter = threading.Thread(target=repeat, daemon=True)
    reporter.start()
    yield wired
    ended.set()
    reporter.join()


@pytest.fixture
def intake(broker, clock) -> Iterator[Callable[..., SensorIntake]]:
    """Make a started sensor intake."""
    made: list[SensorIntake] = []

    def make(*topics: str) -> SensorIntake:
        one = SensorIntake(broker.address, topics, client_id=f"slabtide-{len(made)}", clock=clock)
        made.append(one)
        one.start()
        return one

    yield make
    for one in made:
        one.stop()
