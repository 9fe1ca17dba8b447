"""A flood of 10,000 messages a second through a real broker: bounded, told, and fair."""

from __future__ import annotations

import os
import threading
from collections import Counter
from pathlib import Path

import pytest

from controller.brokers import mosquitto_path, start_broker
from controller.records.site import Broker
from controller.sensors.holding import HELD_MESSAGES
from controller.sensors.mqtt import SensorIntake
from tests.contracts.flooding import Flood

FLOODED = "shed/flooded"
QUIET = tuple(f"shed/quiet-{number}" for number in range(10))
FLOOD_S = 2.0
GROWTH_MIB = 24.0
"""Held messages are 8 MiB at most, and what the library and the allocator need for them."""


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
    flood = Flood(mosquitto, FLOODED, lambda number: f"{18 + number % 50 / 10}")
    speaker = threading.Thread(
        target=flood.run, args=(ended,), kwargs={"seconds": FLOOD_S, "quiet": QUIET}
    )
    speaker.start()
    for _ in range(50):
        if sensors.received == flood.sent.total() and not speaker.is_alive():
            break
        peak_mib = max(peak_mib, resident_mib())
        ended.wait(0.1)
    ended.set()
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
