"""A relay's connection, seen packet by packet."""

from __future__ import annotations

import json
import threading
from dataclasses import replace

import pytest

from controller.records.decision import Command
from controller.relays import mqtt
from controller.relays.messages import command_payload
from controller.relays.mqtt import MqttRelay

CONNECT, PUBLISH, PUBACK, SUBSCRIBE, DISCONNECT = 1, 3, 4, 8, 14
ON = Command("boiler", heat=True, sequence=7, issued_s=1_700_000_000.5, lease_s=120.0)
OFF = replace(ON, heat=False, sequence=8)


@pytest.fixture
def relay(at_recorder, heater, clock):
    """A relay connection that is broken off at the end, whatever the test did."""
    relay = MqttRelay(at_recorder, heater, client_id="slabtide-boiler", clock=clock)
    yield relay
    relay.abandon()


@pytest.fixture
def reporting_relay(at_recorder, heater, clock):
    relay = MqttRelay(
        at_recorder,
        replace(heater, relay=replace(heater.relay, report_topic="shed/heater/says")),
        client_id="slabtide-boiler",
        clock=clock,
    )
    yield relay
    relay.abandon()


def test_off_is_the_first_thing_said(recorder, reporting_relay, eventually):
    """After CONNECT comes the retained QoS 1 OFF, and only then the subscription."""
    reporting_relay.start()
    eventually(lambda: recorder.of_kind(SUBSCRIBE))
    assert [packet.kind for packet in recorder.packets] == [CONNECT, PUBLISH, SUBSCRIBE]
    off = recorder.packets[1]
    # MQTT 3.1.1 section 3.3.1: bits 2-1 are the QoS, bit 0 is retain
    assert off.first & 0b111 == 0b011
    assert json.loads(off.payload) == {"heat": False}


def test_the_will_is_in_place_before_anything_is_said(recorder, relay, eventually):
    """CONNECT itself carries the retained QoS 1 will, a clean session and 15 s keep-alive."""
    relay.start()
    eventually(lambda: recorder.packets)
    body = recorder.packets[0].body
    # MQTT 3.1.1 section 3.1.2: protocol name (6 bytes), level, flags, keep-alive
    flags, keep_alive_s = body[7], int.from_bytes(body[8:10])
    assert flags == 0b0010_1110  # will retain, will QoS 1, will, clean session
    assert keep_alive_s == 15
    assert body.endswith(b'{"heat":false}')
    assert b"shed/heater/order" in body


def test_an_on_is_neither_confirmed_nor_kept(recorder, relay, eventually):
    """ON goes out once, QoS 0 and not retained."""
    relay.start()
    eventually(lambda: relay.connected)
    assert relay.send(ON)
    eventually(lambda: len(recorder.of_kind(PUBLISH)) == 2)
    sent = recorder.of_kind(PUBLISH)[1]
    assert sent.first & 0b111 == 0
    assert sent.payload == command_payload(ON)
    assert relay.published == 2


def test_nothing_is_said_before_the_broker_has_accepted_us(recorder, relay, eventually):
    """An ON between CONNECT and its answer would come before the OFF: it is refused."""
    recorder.accepts = False
    relay.start()
    eventually(lambda: recorder.of_kind(CONNECT))
    assert not relay.send(ON)
    recorder.connections[0].sendall(b"\x20\x02\x00\x00")
    eventually(lambda: relay.connected)
    eventually(lambda: recorder.of_kind(PUBLISH))
    said = [packet.payload for packet in recorder.of_kind(PUBLISH)]
    assert said == [command_payload(replace(ON, heat=False))]


def test_nothing_is_carried_into_the_next_connection(recorder, relay, eventually):
    """An unconfirmed OFF and an ON refused while away do not turn up on the next connection."""
    recorder.confirms = False
    relay.start()
    eventually(lambda: relay.connected)
    assert relay.send(OFF)
    eventually(lambda: len(recorder.of_kind(PUBLISH)) == 2)
    recorder.cut()
    eventually(lambda: not relay.connected)
    later = replace(ON, sequence=9)
    assert not relay.send(later)
    eventually(lambda: relay.connected)
    marker = replace(OFF, sequence=10)
    assert relay.send(marker)
    eventually(lambda: recorder.packets[-1].payload == command_payload(marker))
    said = [p.payload for p in recorder.of_kind(PUBLISH) if p.connection == 1]
    assert said == [command_payload(replace(later, heat=False)), command_payload(marker)]


def test_no_on_before_the_first_report(recorder, reporting_relay, eventually):
    """A relay that makes reports gets no ON until there is a report to answer."""
    reporting_relay.start()
    eventually(lambda: recorder.of_kind(SUBSCRIBE))
    eventually(lambda: reporting_relay.connected)
    assert not reporting_relay.reachable
    assert not reporting_relay.send(ON)
    assert reporting_relay.published == 1


def test_a_relay_without_reports_is_reachable_once_connected(recorder, relay, eventually):
    """There is nothing that an ON would have to answer."""
    assert not relay.reachable
    relay.start()
    eventually(lambda: relay.connected)
    assert relay.reachable


def test_a_retained_report_is_ignored(recorder, reporting_relay, eventually):
    """A report that the broker had kept may be of any age, so only a live one counts."""
    reporting_relay.start()
    eventually(lambda: recorder.of_kind(SUBSCRIBE))
    topic = b"\x00\x10shed/heater/says"
    report = topic + b'{"heat":true,"uptime_s":1,"seq":1}'
    recorder.connections[0].sendall(b"\x31" + bytes([len(report)]) + report)
    # one more, QoS 1 and on another topic: its PUBACK shows that the first has been dealt with
    recorder.connections[0].sendall(b"\x32\x05\x00\x01x\x00\x01")
    eventually(lambda: recorder.of_kind(PUBACK))
    assert reporting_relay.report is None
    recorder.connections[0].sendall(b"\x30" + bytes([len(report)]) + report)
    eventually(lambda: reporting_relay.report is not None)
    assert reporting_relay.report.sequence == 1
    assert reporting_relay.reachable


def test_a_clean_stop_says_off_and_goodbye(recorder, relay, eventually):
    """A confirmed OFF, then DISCONNECT, then the end of the connection."""
    relay.start()
    eventually(lambda: relay.connected)
    assert relay.stop(OFF)
    eventually(lambda: recorder.closed)
    assert recorder.of_kind(PUBLISH)[-1].payload == command_payload(OFF)
    assert recorder.packets[-1].kind == DISCONNECT
    assert not relay.send(OFF)


def test_an_unconfirmed_stop_lets_the_will_speak(recorder, relay, eventually, monkeypatch):
    """Where the broker does not confirm the last OFF, no DISCONNECT is sent."""
    monkeypatch.setattr(mqtt, "CONFIRM_S", 0.2)
    recorder.confirms = False
    relay.start()
    eventually(lambda: relay.connected)
    assert not relay.stop(OFF)
    eventually(lambda: recorder.closed)
    assert not recorder.of_kind(DISCONNECT)


def test_a_stop_with_an_on_is_refused(relay):
    """Only an OFF can be the last word."""
    with pytest.raises(ValueError, match="OFF"):
        relay.stop(ON)


def test_abandoning_says_no_goodbye_and_does_not_come_back(recorder, relay, eventually):
    """The connection breaks without DISCONNECT, and the keeper's thread ends."""
    relay.start()
    eventually(lambda: relay.connected)
    relay.abandon()
    eventually(lambda: recorder.closed)
    assert not recorder.of_kind(DISCONNECT)
    assert not relay.send(ON)
    eventually(lambda: "relay-boiler" not in {t.name for t in threading.enumerate()})
    assert len(recorder.connections) == 1


def test_abandoning_works_while_a_tick_hangs(recorder, relay, eventually):
    """It takes no lock, so that a tick stuck inside ``send`` cannot hold the watchdog up."""
    relay.start()
    eventually(lambda: relay.connected)
    with relay._lock:
        relay.abandon()
        eventually(lambda: recorder.closed)


def test_a_broker_that_names_the_takeover_is_believed(
    recorder, at_recorder, heater, clock, eventually
):
    """MQTT 5 says *Session taken over* (0x8E, section 3.14.2.1): we do not come back."""
    recorder.protocol = "5"
    broker = replace(at_recorder, protocol="5")
    relay = MqttRelay(broker, heater, client_id="slabtide-boiler", clock=clock)
    relay.start()
    eventually(lambda: relay.connected)
    recorder.connections[0].sendall(b"\xe0\x01\x8e")
    eventually(lambda: relay.taken_over)
    eventually(lambda: "relay-boiler" not in {t.name for t in threading.enumerate()})
    assert not relay.send(ON)
    assert len(recorder.connections) == 1


def test_three_short_connections_in_a_row_are_a_takeover(recorder, relay, eventually):
    """MQTT 3.1.1 gives no reason: being thrown out three times at once is one."""
    recorder.drops_at_once = True
    relay.start()
    eventually(lambda: relay.taken_over)
    assert len(recorder.of_kind(CONNECT)) == 3


def test_a_connection_that_lasted_is_no_takeover(recorder, relay, clock, eventually):
    """A connection that stood for 10 s starts the count anew."""
    relay.start()
    for _ in range(3):
        eventually(lambda: relay.connected)
        clock.advance(10.0)
        recorder.cut()
        eventually(lambda: not relay.connected)
    eventually(lambda: relay.connected)
    assert not relay.taken_over
