"""A leased command on its whole way: our relay client, a real broker, the board."""

from __future__ import annotations

import json
import os
import signal
from dataclasses import replace

import pytest

from controller.records.decision import Command
from controller.records.limits import LEASE_S
from controller.relays.mqtt import MqttRelay, command_payload

ORDER = "shed/heater/order"
SAYS = "shed/heater/says"
ON = Command("boiler", heat=True, sequence=1, issued_s=1_700_000_000.0, lease_s=LEASE_S)
OFF = replace(ON, heat=False, sequence=2)
WILL = b'{"heat":false}'


def heats(payloads: list[bytes]) -> list[bool]:
    return [json.loads(payload)["heat"] for payload in payloads]


def test_a_lease_reaches_the_board_and_its_report_comes_back(relay, wired_board, clock, eventually):
    """ON closes the contact, the report says so, and silence opens it when the lease is over."""
    relay.start()
    eventually(lambda: relay.report is not None)  # the board's answer to the OFF of the connect
    assert relay.send(ON)
    eventually(lambda: relay.report.sequence == 1)
    assert relay.report.heat
    assert wired_board.board.heat(clock.now().mono_s)
    clock.advance(LEASE_S)
    assert not wired_board.board.heat(clock.now().mono_s)


def test_renewals_keep_the_heat(relay, wired_board, clock, eventually):
    """Each renewal answers the report on the one before; OFF ends the heat at once."""
    relay.start()
    eventually(lambda: relay.report is not None)
    for sequence in range(1, 20):
        assert relay.send(replace(ON, sequence=sequence))
        eventually(lambda wanted=sequence: relay.report.sequence == wanted)
        assert relay.report.heat
        clock.advance(30.0)
    assert relay.send(replace(OFF, sequence=20))
    eventually(lambda: relay.report.sequence == 20)
    assert not relay.report.heat


def test_off_is_kept_by_the_broker_and_on_is_not(relay, wired_board, peer, eventually):
    """A board that comes later hears the last OFF, retained, and no ON."""
    relay.start()
    eventually(lambda: relay.report is not None)
    relay.send(ON)
    eventually(lambda: relay.report.sequence == 1)
    late = peer(ORDER)
    eventually(lambda: late.heard)
    assert (late.heard[0].payload, late.heard[0].retain) == (WILL, True)
    relay.send(OFF)
    eventually(lambda: relay.report.sequence == 2)
    later = peer(ORDER)
    eventually(lambda: later.heard)
    assert set(later.payloads()) == {command_payload(OFF)}  # amqtt says it twice
    assert True not in heats(late.payloads())


def test_the_will_speaks_after_the_connection_was_abandoned(
    relay, wired_board, clock, peer, eventually
):
    """The broker says OFF for us, to the board at once and to those who come later."""
    relay.start()
    eventually(lambda: relay.report is not None)
    relay.send(ON)
    eventually(lambda: relay.report.sequence == 1)
    relay.abandon()
    eventually(lambda: not wired_board.board.heat(clock.now().mono_s))
    assert wired_board.peer.payloads()[-1] == WILL
    late = peer(ORDER)
    eventually(lambda: late.heard)
    assert (late.heard[0].payload, late.heard[0].retain) == (WILL, True)


def test_no_will_after_a_clean_stop(relay, wired_board, peer, eventually):
    """The last thing heard and kept is the OFF of the stop, not the will."""
    relay.start()
    eventually(lambda: relay.report is not None)
    relay.send(ON)
    eventually(lambda: relay.report.sequence == 1)
    assert relay.stop(OFF)
    marker = command_payload(replace(OFF, sequence=3))
    peer().say(ORDER, marker, qos=1)
    eventually(lambda: marker in wired_board.peer.payloads())
    assert wired_board.peer.payloads()[-2:] == [command_payload(OFF), marker]
    late = peer(ORDER)
    eventually(lambda: late.heard)
    assert set(late.payloads()) == {command_payload(OFF)}  # the marker was not retained


def test_nothing_is_queued_while_the_broker_is_away(broker, relay, wired_board, clock, eventually):
    """Commands given meanwhile are refused; the first word after the return is OFF."""
    relay.start()
    eventually(lambda: relay.report is not None)
    broker.go_away()
    eventually(lambda: not relay.connected)
    before = len(wired_board.peer.heard)
    for sequence in range(5, 9):
        assert not relay.send(replace(ON, sequence=sequence))
    broker.come_back()
    eventually(lambda: relay.connected)
    marker = replace(OFF, sequence=10)
    # the board's client may come back later than ours: said until it has been heard
    eventually(
        lambda: relay.send(marker) and command_payload(marker) in wired_board.peer.payloads()
    )
    assert True not in heats(wired_board.peer.payloads()[before:])
    assert not wired_board.board.heat(clock.now().mono_s)


def test_off_comes_first_after_a_restart_of_the_broker(broker, relay, peer, eventually):
    """A broker that has forgotten everything keeps our OFF as soon as we are back."""
    relay.start()
    eventually(lambda: relay.connected)
    relay.send(replace(OFF, sequence=4))
    broker.go_away()
    eventually(lambda: not relay.connected)
    broker.come_back()
    eventually(lambda: relay.connected)
    late = peer(ORDER)
    eventually(lambda: late.heard)
    assert set(late.payloads()) == {command_payload(replace(OFF, sequence=4))}


def test_a_renewal_that_waited_in_a_frozen_broker_warms_nobody(
    broker, relay, wired_board, clock, eventually
):
    """The broker stands still with an ON inside; when it goes on, the board refuses the ON."""
    relay.start()
    eventually(lambda: relay.report is not None)
    taken = len(wired_board.receipts)
    os.kill(broker.private.pid, signal.SIGSTOP)
    try:
        assert relay.send(ON)
        clock.advance(LEASE_S + 1.0)
    finally:
        os.kill(broker.private.pid, signal.SIGCONT)
    eventually(lambda: len(wired_board.receipts) > taken)
    assert not wired_board.receipts[taken].accepted
    assert not wired_board.board.heat(clock.now().mono_s)


@pytest.mark.parametrize(
    "broker",
    # amqtt lets two clients of one name stay, so that there is no takeover to see
    [("mosquitto", "5"), ("mosquitto", "3.1.1")],
    ids="-".join,
    indirect=True,
)
def test_a_second_service_under_our_name_gives_way(broker, relay, heater, clock, eventually):
    """The newcomer is thrown out by our reconnects three times, and says that it gave way."""
    second = MqttRelay(broker.address, heater, client_id="slabtide-boiler", clock=clock)
    relay.start()
    eventually(lambda: relay.connected)
    clock.advance(3600.0)  # we have been there for long
    second.start()
    try:
        eventually(lambda: second.taken_over)
        eventually(lambda: relay.connected)
        assert not relay.taken_over
        assert not second.send(ON)
    finally:
        second.abandon()
