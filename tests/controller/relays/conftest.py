"""A broker in a few lines that records every packet, for what a real broker does not show."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest

from controller.clock import SteppedClock
from controller.records.instant import Instant
from controller.records.site import Broker, Heater, Relay
from tests.controller.relays.fake_client import Keeper

CONNECT, PUBLISH, PUBACK, SUBSCRIBE, DISCONNECT = 1, 3, 4, 8, 14


@dataclass(frozen=True, slots=True)
class Packet:
    """One MQTT 3.1.1 control packet: connection number, first byte, and the rest."""

    connection: int
    first: int
    body: bytes

    @property
    def kind(self) -> int:
        return self.first >> 4

    @property
    def payload(self) -> bytes:
        """Payload of a PUBLISH."""
        topic = 2 + int.from_bytes(self.body[:2])
        return self.body[topic + (2 if self.first & 0b110 else 0) :]


@dataclass
class RecordingBroker:
    """Accepts every client, confirms what it is told to confirm, and remembers all packets."""

    protocol: str = "3.1.1"
    accepts: bool = True
    confirms: bool = True
    drops_at_once: bool = False
    packets: list[Packet] = field(default_factory=list)
    closed: list[int] = field(default_factory=list)
    connections: list[socket.socket] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def of_kind(self, kind: int) -> list[Packet]:
        return [packet for packet in self.packets if packet.kind == kind]

    def cut(self) -> None:
        """Break the latest connection."""
        self.connections[-1].shutdown(socket.SHUT_RDWR)

    def end(self) -> None:
        self._listener.close()
        for connection in self.connections:
            connection.close()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            number = len(self.connections)
            self.connections.append(connection)
            threading.Thread(target=self._serve, args=(connection, number), daemon=True).start()

    def _serve(self, connection: socket.socket, number: int) -> None:
        with connection, connection.makefile("rb") as stream:
            while first := stream.read(1):
                packet = Packet(number, first[0], stream.read(_remaining(stream)))
                self.packets.append(packet)
                self._answer(connection, packet)
                if self.drops_at_once and packet.kind == PUBLISH:
                    break
        self.closed.append(number)

    def _answer(self, connection: socket.socket, packet: Packet) -> None:
        if packet.kind == CONNECT and self.accepts:
            # MQTT 5 adds the length of its properties
            five = self.protocol == "5"
            connection.sendall(b"\x20\x03\x00\x00\x00" if five else b"\x20\x02\x00\x00")
        elif packet.kind == SUBSCRIBE:
            connection.sendall(b"\x90\x03" + packet.body[:2] + b"\x00")
        elif packet.kind == PUBLISH and packet.first & 0b110 and self.confirms:
            topic = 2 + int.from_bytes(packet.body[:2])
            connection.sendall(b"\x40\x02" + packet.body[topic : topic + 2])


def _remaining(stream: object) -> int:
    """MQTT's variable length: seven bits a byte, lowest first (MQTT 3.1.1, section 2.2.3)."""
    length = shift = 0
    while True:
        byte = stream.read(1)[0]
        length |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            return length


@pytest.fixture
def recorder() -> Iterator[RecordingBroker]:
    broker = RecordingBroker()
    yield broker
    broker.end()


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(Instant(utc_s=1_700_000_000.0, mono_s=1000.0))


@pytest.fixture
def at_recorder(recorder: RecordingBroker) -> Broker:
    return Broker("127.0.0.1", recorder.port, protocol="3.1.1")


@pytest.fixture
def heater() -> Heater:
    relay = Relay(command_topic="shed/heater/order", leases=True)
    return Heater("boiler", 6000.0, 60.0, loops=("loop",), relay=relay)


@pytest.fixture
def eventually() -> Callable[..., None]:
    def wait_for(condition: Callable[[], object], within_s: float = 15.0) -> None:
        """Poll until a condition holds; fail at the deadline."""
        pause = threading.Event()
        for _ in range(int(within_s / 0.01)):
            if condition():
                return
            pause.wait(0.01)
        pytest.fail(f"did not become true within {within_s} s")

    return wait_for


@pytest.fixture
def keeper(monkeypatch: pytest.MonkeyPatch, heater: Heater, clock: SteppedClock) -> Keeper:
    return Keeper(monkeypatch, heater, clock)
