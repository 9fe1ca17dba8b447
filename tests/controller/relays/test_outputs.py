"""A pump's or valve's connection, packet by packet: no end of it means OFF."""

from __future__ import annotations

import json

import pytest

from controller.records.decision import Command
from controller.records.site import CirculationPump, Relay
from controller.rehearsal.relay_board import LeaseBoard
from controller.relays.mqtt import MqttRelay
from tests.controller.relays.conftest import CONNECT, DISCONNECT, PUBLISH, SUBSCRIBE

ON = Command("circulator", heat=True, sequence=7, issued_s=1_700_000_000.5, lease_s=480.0)
OFF = Command("circulator", heat=False, sequence=8, issued_s=1_700_000_010.5, lease_s=0.0)


@pytest.fixture
def pump() -> CirculationPump:
    relay = Relay("shed/pump/order", leases=True, word="run", falls_off=False)
    return CirculationPump("circulator", relay, overrun_s=300.0, proof_s=60.0)


@pytest.fixture
def relay(at_recorder, pump, clock):
    relay = MqttRelay(at_recorder, pump, client_id="slabtide-circulator", clock=clock)
    yield relay
    relay.abandon()


def test_no_will_and_no_first_word(recorder, relay, eventually):
    """A pump that fell off with the connection would leave the heater without flow."""
    relay.start()
    eventually(lambda: relay.connected)
    assert relay.send(ON)
    eventually(lambda: recorder.of_kind(PUBLISH))
    [connect] = recorder.of_kind(CONNECT)
    flags = connect.body[7]  # MQTT 3.1.1 section 3.1.2.3: bit 2 says that there is a will
    assert not flags & 0b100
    assert [json.loads(p.payload) for p in recorder.of_kind(PUBLISH)] == [
        {"run": True, "seq": 7, "issued": 1_700_000_000.5, "lease_s": 480.0}
    ]


def test_an_off_is_not_kept_for_later(recorder, relay, eventually):
    """QoS 1, not retained: a pump that comes back must not hear yesterday's OFF."""
    relay.start()
    eventually(lambda: relay.connected)
    assert relay.send(OFF)
    eventually(lambda: recorder.of_kind(PUBLISH))
    [packet] = recorder.of_kind(PUBLISH)
    assert (packet.first >> 1 & 0b11, packet.first & 0b1) == (1, 0)
    assert json.loads(packet.payload) == {"run": False, "seq": 8, "issued": 1_700_000_010.5}


def test_leaving_says_nothing(recorder, relay, eventually):
    """The connection is closed cleanly, and what was told last holds to the end of its lease."""
    relay.start()
    eventually(lambda: relay.connected)
    relay.send(ON)
    relay.leave()
    eventually(lambda: recorder.of_kind(DISCONNECT))
    assert len(recorder.of_kind(PUBLISH)) == 1
    assert not relay.connected
    assert not relay.send(ON)


def test_a_heater_is_never_left(at_recorder, heater, clock):
    """What falls off is told so."""
    relay = MqttRelay(at_recorder, heater, client_id="slabtide-boiler", clock=clock)
    with pytest.raises(ValueError, match="OFF"):
        relay.leave()


def test_its_report_is_read_under_its_own_word(recorder, at_recorder, pump, clock, eventually):
    """A board of a pump and its relay understand each other; a heater's board hears nothing."""
    relay = MqttRelay(at_recorder, pump, client_id="slabtide-circulator", clock=clock)
    relay.start()
    eventually(lambda: relay.connected)
    relay.send(ON)
    eventually(lambda: recorder.of_kind(PUBLISH))
    payload = recorder.of_kind(PUBLISH)[0].payload
    relay.abandon()
    board = LeaseBoard(started_mono_s=0.0, reports=False, word="run")
    assert board.receive(payload, 5.0).accepted
    assert json.loads(board.report(5.0))["run"]
    assert board.heat(484.9)
    assert not board.heat(485.0)
    assert not LeaseBoard(started_mono_s=0.0, reports=False).receive(payload, 5.0).accepted
    assert not recorder.of_kind(SUBSCRIBE)
