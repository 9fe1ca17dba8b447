"""What others put beside a payload (MQTT 5.0, section 3.3.2.3) reaches us and does nothing."""

from __future__ import annotations

import time

import pytest
from paho.mqtt import client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from controller.mqtt_client import without_properties

AIR, SLAB, SAYS = "shed/air", "shed/slab", "shed/heater/says"
BOM = "\ufeff"


def beside(**properties: object) -> Properties:
    made = Properties(PacketTypes.PUBLISH)
    for name, value in properties.items():
        setattr(made, name, value)
    return made


@pytest.fixture
def poison(peer):
    """Say something retained with properties; what the library itself would stumble over."""
    speaker = peer()

    def say(topic: str, properties: Properties) -> None:
        speaker.client.publish(
            topic, b"16.0", qos=1, retain=True, properties=properties
        ).wait_for_publish(10.0)

    return say


WITH_PROPERTIES = pytest.mark.parametrize(
    "broker", [("mosquitto", "5")], indirect=True, ids="-".join
)
POISONS = {
    "byte order mark": beside(ContentType=BOM),
    "of a user": beside(UserProperty=("a", f"x{BOM}")),
    "unknown format": beside(PayloadFormatIndicator=1, ContentType=BOM),
    "50,000 of a user": beside(UserProperty=[("a", "b")] * 50_000),
}


@WITH_PROPERTIES
@pytest.mark.parametrize("properties", POISONS.values(), ids=POISONS)
def test_a_sensors_message_silences_no_other(
    intake, peer, poison, properties: Properties, eventually
) -> None:
    """It is a reading like any other, retained or not, and the next ones are heard."""
    sensors = intake(AIR, SLAB)
    eventually(lambda: sensors.connected)
    poison(SLAB, properties)
    began_s = time.monotonic()
    peer().say(AIR, b"14.0")
    eventually(lambda: sensors.received == 2, 10.0)
    assert time.monotonic() - began_s < 5.0, "nobody's thread may be held"
    late = intake(AIR, SLAB)
    eventually(lambda: late.received == 1, 10.0)
    peer().say(AIR, b"14.0")
    eventually(lambda: late.received == 2, 10.0)
    assert {m.payload for m in (*sensors.drain(), *late.drain())} == {b"16.0", b"14.0"}


@WITH_PROPERTIES
def test_a_report_ends_no_connection(relay, peer, poison, eventually) -> None:
    """A relay board's topic holds such a message: that is no takeover, and reports are heard."""
    poison(SAYS, POISONS["byte order mark"])
    relay.start()
    board = peer()

    def hears() -> bool:
        board.say(SAYS, b'{"heat": false, "uptime_s": 9.0, "seq": -1}')
        return relay.report is not None

    eventually(hears, 10.0)
    assert (relay.connected, relay.taken_over) == (True, False)


# --- by the standard's bytes --------------------------------------------------------------------

QOS_0, QOS_1 = 0x30, 0x32
TOPIC = b"\x00\x03a/b"


@pytest.mark.parametrize(
    ("command", "packet", "left"),
    [
        (QOS_0, TOPIC + b"\x00" + b"16", TOPIC + b"\x00" + b"16"),
        (QOS_0, TOPIC + b"\x02\x01\x01" + b"16", TOPIC + b"\x00" + b"16"),
        (QOS_1, TOPIC + b"\x00\x07" + b"\x02\x01\x01" + b"16", TOPIC + b"\x00\x07\x00" + b"16"),
        (0x3B, TOPIC + b"\x00\x07" + b"\x02\x01\x01", TOPIC + b"\x00\x07\x00"),
        (QOS_0, TOPIC + b"\x80\x01" + b"p" * 128 + b"16", TOPIC + b"\x00" + b"16"),
        (QOS_0, b"\x01\x00" + b"t" * 256 + b"\x01p16", b"\x01\x00" + b"t" * 256 + b"\x0016"),
        # ends too early, or no length at all: for the library to refuse
        (QOS_0, TOPIC + b"\x03\x01\x01", TOPIC + b"\x03\x01\x01"),
        (QOS_0, TOPIC + b"\x80", TOPIC + b"\x80"),
        (QOS_0, TOPIC + b"\xff\xff\xff\xff\x7f16", TOPIC + b"\xff\xff\xff\xff\x7f16"),
        (QOS_1, TOPIC, TOPIC),
        (QOS_0, b"", b""),
    ],
)
def test_they_are_passed_over_by_their_length(command: int, packet: bytes, left: bytes) -> None:
    """Topic, number and payload stay; the properties are an empty block."""
    assert without_properties(command, bytearray(packet)) == left


def test_the_library_still_reads_messages_the_way_that_we_rely_on() -> None:
    """Its private door, through which the packet goes: an update that moves it shows here."""
    assert hasattr(paho.Client, "_handle_publish")
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    assert {"command", "packet"} <= set(client._in_packet)
