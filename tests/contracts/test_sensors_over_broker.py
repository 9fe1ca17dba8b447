"""Readings through a real broker: age, retained messages, floods, restarts.

Retained messages: MQTT 3.1.1 has no time of its own for them, so that one may be of any age.
"""

from __future__ import annotations

import json

import pytest

from controller.mqtt_client import LARGEST_PACKET_BYTES
from controller.readings import LatestReadings
from controller.records.limits import Limits
from controller.records.readings import Condition, Rejection
from controller.records.site import Role, Sensor, Site
from controller.sensors import holding
from controller.sensors.decode import decode, decode_all

BARE = Sensor("air-1", Role.AIR, "shed", "shed/air", "°C")
STAMPED = Sensor(
    "slab-1", Role.SLAB, "shed", "shed/slab", "°C", value_pointer="/t", time_pointer="/at"
)


@pytest.fixture
def table(broker, heater) -> LatestReadings:
    site = Site(
        "site", "UTC", 0.0, 0.0, "state", broker.address, (), (), (heater,), (BARE, STAMPED)
    )
    return LatestReadings(site)


@pytest.fixture
def take(table):
    """What the tick does: drain, decode, add; gives the rejected payloads."""

    def tick(intake):
        readings, rejected = decode_all((BARE, STAMPED), intake.drain())
        for reading in readings:
            table.add(reading)
        return rejected

    return tick


@pytest.fixture
def condition(table, clock):
    def of(sensor: Sensor) -> Condition:
        return table.sensed([sensor], now=clock.now(), limits=Limits())[0].condition

    return of


def stamped(value: float, at_s: float) -> bytes:
    return json.dumps({"t": value, "at": at_s}).encode()


def test_a_live_reading_is_fresh(intake, peer, take, condition, clock, eventually):
    """From the sensor through the broker into the table."""
    sensors = intake(BARE.topic, STAMPED.topic)
    eventually(lambda: sensors.connected)
    sensor = peer()
    sensor.say(BARE.topic, b"18.5")
    sensor.say(STAMPED.topic, stamped(12.5, clock.now().utc_s))
    eventually(lambda: sensors.received == 2)
    assert take(sensors) == []
    assert (condition(BARE), condition(STAMPED)) == (Condition.FRESH, Condition.FRESH)


def test_a_retained_reading_without_a_time_is_of_unknown_age(
    intake, peer, take, condition, eventually
):
    """It was there before we came: nobody can say since when."""
    peer().say(BARE.topic, b"18.5", qos=1, retain=True)
    sensors = intake(BARE.topic)
    eventually(lambda: sensors.received)
    assert take(sensors) == []
    assert condition(BARE) is Condition.UNKNOWN_AGE


def test_a_retained_reading_older_than_the_limit_is_stale_on_receipt(
    intake, peer, take, condition, clock, eventually
):
    """Its own time tells how old it is."""
    peer().say(STAMPED.topic, stamped(12.5, clock.now().utc_s - 601.0), qos=1, retain=True)
    sensors = intake(STAMPED.topic)
    eventually(lambda: sensors.received)
    take(sensors)
    assert condition(STAMPED) is Condition.STALE


def test_being_told_again_makes_a_retained_reading_no_younger(
    intake, peer, take, condition, clock, eventually
):
    """A reconnect brings the kept message once more; its age goes on."""
    peer().say(STAMPED.topic, stamped(12.5, clock.now().utc_s), qos=1, retain=True)
    first = intake(STAMPED.topic)
    eventually(lambda: first.received)
    take(first)
    assert condition(STAMPED) is Condition.FRESH
    first.stop()
    clock.advance(601.0)
    again = intake(STAMPED.topic)
    eventually(lambda: again.received)
    take(again)
    assert condition(STAMPED) is Condition.STALE


def test_readings_come_again_after_a_restart_of_the_broker(
    broker, intake, peer, eventually, caplog
):
    """The intake reconnects and subscribes by itself; being away is visible, and told once."""
    sensors = intake(BARE.topic)
    eventually(lambda: sensors.connected)
    broker.go_away()
    eventually(lambda: not sensors.connected)
    broker.come_back()
    eventually(lambda: sensors.connected)
    peer().say(BARE.topic, b"18.5")
    eventually(lambda: sensors.received)
    assert [message.payload for message in sensors.drain()] == [b"18.5"]
    assert sensors.drain() == []
    told = [text for text in caplog.messages if "sensors'" in text]
    assert told[0].startswith("the sensors' connection to the broker is lost")
    assert told[-1] == "the sensors' client is connected again"
    assert len(set(told)) == len(told), "told at every attempt"


def test_a_payload_of_ten_megabytes_is_cut_and_counted(intake, peer, take, eventually):
    """It is rejected with its reason, held at little cost, and readings go on after it."""
    sensors = intake(BARE.topic)
    eventually(lambda: sensors.connected)
    sensor = peer()
    sensor.say(BARE.topic, b"7" * 10_000_000)
    sensor.say(BARE.topic, b"18.6")
    eventually(lambda: sensors.received == 2)
    large, usual = sensors.drain()
    assert len(large.payload) == 256 * 1024 + 1
    assert decode(BARE, large).reason is Rejection.TOO_LARGE
    assert decode(BARE, usual).value == 18.6


def test_a_payload_without_measure_is_not_even_sent_to_us(broker, intake, peer, eventually):
    """MQTT 5, section 3.1.2.11.4: the library would hold it all before we could look at it."""
    if broker.protocol != "5":
        pytest.skip("MQTT 3.1.1 cannot ask for that")
    sensors = intake(BARE.topic)
    eventually(lambda: sensors.connected)
    sensor = peer()
    sensor.say(BARE.topic, b"7" * (LARGEST_PACKET_BYTES + 1))
    sensor.say(BARE.topic, b"18.6")
    eventually(lambda: sensors.received)
    assert [message.payload for message in sensors.drain()] == [b"18.6"]


def test_a_flood_costs_the_oldest_messages(intake, peer, monkeypatch, eventually):
    """The queue is bounded; what was lost is counted, and the newest are there."""
    monkeypatch.setattr(holding, "HELD_MESSAGES", 3)
    sensors = intake(BARE.topic)
    eventually(lambda: sensors.connected)
    sensor = peer()
    for value in range(1, 8):
        sensor.say(BARE.topic, str(value).encode())
    eventually(lambda: sensors.received == 7)
    assert [message.payload for message in sensors.drain()] == [b"5", b"6", b"7"]
    assert sensors.dropped == 4


def test_a_flood_of_large_messages_is_bounded_too(intake, peer, monkeypatch, eventually):
    """Few messages may still be many bytes."""
    monkeypatch.setattr(holding, "HELD_BYTES", 1000)
    sensors = intake(BARE.topic)
    eventually(lambda: sensors.connected)
    sensor = peer()
    for letter in (b"a", b"b", b"c"):
        sensor.say(BARE.topic, letter * 400)
    eventually(lambda: sensors.received == 3)
    assert [message.payload[:1] for message in sensors.drain()] == [b"b", b"c"]


def test_other_topics_are_not_counted(intake, peer, eventually):
    """What a broker hands out beside our topics leaves no trace."""
    peer().say("shed/other", b"1", qos=1, retain=True)
    listener = peer("shed/other")  # a subscription by somebody else, which amqtt mixes up with ours
    eventually(lambda: listener.heard)
    sensors = intake(BARE.topic)
    eventually(lambda: sensors.connected)
    peer().say(BARE.topic, b"18.5")
    eventually(lambda: sensors.received)
    assert [message.topic for message in sensors.drain()] == [BARE.topic]


def test_an_intake_without_topics_connects(intake, eventually):
    """A site file without sensors is refused elsewhere; here it is no fault."""
    sensors = intake()
    eventually(lambda: sensors.connected)
    assert sensors.received == 0
