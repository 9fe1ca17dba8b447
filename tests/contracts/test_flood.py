"""A flood of 10,000 messages a second through a real broker: bounded, told, and fair.

The flood is spoken straight into a socket (MQTT 3.1.1, sections 3.1 and 3.3), because a client
library in this process would take the time that the intake needs.
"""

from __future__ import annotations

import os
import socket
import threading
import time
from collections import Counter
from pathlib import Path

import pytest

from controller.brokers import mosquitto_path, start_broker
from controller.records.site import Broker
from controller.sensors.holding import HELD_MESSAGES
from controller.sensors.mqtt import SensorIntake

FLOODED = "shed/flooded"
QUIET = tuple(f"shed/quiet-{number}" for number in range(10))
RATE_HZ = 10_000
STEP_S = 0.02
FLOOD_S = 2.0
GROWTH_MIB = 24.0
"""Held messages are 8 MiB at most, and what the library and the allocator need for them."""


def text(value: str) -> bytes:
    data = value.encode()
    return len(data).to_bytes(2, "big") + data


def packet(kind: int, body: bytes) -> bytes:
    assert len(body) < 128
    return bytes((kind, len(body))) + body


def publish(topic: str, payload: str) -> bytes:
    return packet(0x30, text(topic) + payload.encode())


class Flood:
    """A client that says 10,000 times a second that it is warm; the others speak ten times."""

    def __init__(self, broker: Broker) -> None:
        self.sent: Counter[str] = Counter()
        self._socket = socket.create_connection((broker.host, broker.port))
        connect = text("MQTT") + bytes((4, 2)) + (60).to_bytes(2, "big") + text("flood")
        self._socket.sendall(packet(0x10, connect))
        assert self._socket.recv(4) == bytes((0x20, 2, 0, 0))

    def run(self, ended: threading.Event) -> None:
        began_s, step = time.monotonic(), 0
        while step * STEP_S < FLOOD_S:
            each = round(RATE_HZ * STEP_S)
            burst = b"".join(publish(FLOODED, f"{18 + n % 50 / 10}") for n in range(each))
            self.sent[FLOODED] += each
            if step % 5 == 0:
                burst += b"".join(publish(topic, f"{step}") for topic in QUIET)
                self.sent.update(QUIET)
            self._socket.sendall(burst)
            step += 1
            ended.wait(max(0.0, began_s + step * STEP_S - time.monotonic()))
        self._socket.sendall(packet(0xE0, b""))
        self._socket.close()


@pytest.fixture
def mosquitto():
    """The broker that can pass on so much."""
    if mosquitto_path() is None and os.environ.get("SLABTIDE_REQUIRE_BROKER") != "1":
        pytest.skip("mosquitto is not installed")
    with start_broker("mosquitto") as broker:
        yield Broker(broker.host, broker.port, "5")


def resident_mib() -> float:
    status = Path("/proc/self/status").read_text().split("VmRSS:")[1]
    return int(status.split()[0]) / 1024.0


def test_a_flood_neither_fills_the_memory_nor_crowds_out_the_others(
    mosquitto, clock, eventually
) -> None:
    """One tick of it: every quiet sensor is heard whole, and what was given up adds up.

    On a machine that is too slow for it the broker loses some of the flood before we do; what has
    reached us is then what must add up.
    """
    sensors = SensorIntake(mosquitto, (FLOODED, *QUIET), client_id="slabtide-flood", clock=clock)
    sensors.start()
    eventually(lambda: sensors.connected)
    before_mib, peak_mib, ended = resident_mib(), 0.0, threading.Event()
    flood = Flood(mosquitto)
    speaker = threading.Thread(target=flood.run, args=(ended,))
    speaker.start()
    for _ in range(50):
        if sensors.received == flood.sent.total() and not speaker.is_alive():
            break
        peak_mib = max(peak_mib, resident_mib())
        ended.wait(0.1)
    speaker.join()
    sensors.stop()
    kept = Counter(message.topic for message in sensors.drain())
    lost = sensors.take_lost()
    assert kept.total() == HELD_MESSAGES
    assert kept.total() + sum(lost.values()) == sensors.received <= flood.sent.total()
    assert lost == {FLOODED: sensors.dropped}
    assert set(kept) == {FLOODED, *QUIET}
    if sensors.received == flood.sent.total():
        assert all(kept[topic] == flood.sent[topic] for topic in QUIET)
    assert peak_mib - before_mib < GROWTH_MIB
