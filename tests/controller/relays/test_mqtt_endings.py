"""How a relay's connection ends: taken over, stopped, abandoned; without a network."""

from __future__ import annotations

import socket
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from controller.clock import SteppedClock
from controller.records.decision import Command
from controller.records.instant import Instant
from controller.records.site import Broker, Heater
from controller.relays import mqtt
from controller.relays.mqtt import CONFIRM_S, SHORT_LIVED_IN_A_ROW, SHORT_LIVED_S, MqttRelay
from tests.controller.relays.fake_client import Fake, Keeper, broken, silent

OFF = Command("boiler", heat=False, sequence=8, issued_s=1_700_000_010.5, lease_s=0.0)
TAKEN_OVER = 0x8E
"""MQTT 5.0, section 3.14.2.1: Session taken over."""
CLOSING = 0x8B
"""The same section: Server shutting down."""
MOVED = 0x9D
"""The same section: Server moved."""


SHORT_S = SHORT_LIVED_S - 0.1


@pytest.mark.parametrize(
    ("lasted_s", "taken"),
    [
        ((SHORT_S,) * (SHORT_LIVED_IN_A_ROW - 1), False),
        ((SHORT_S,) * SHORT_LIVED_IN_A_ROW, True),
        ((10.0,) * 5, False),
        ((60.0,) * 5, False),
        ((9.9,) * 3, True),
        # one that stood counts for none and against none
        ((SHORT_S, SHORT_S, 10.0, SHORT_S, SHORT_S), False),
        ((10.0, SHORT_S, SHORT_S, SHORT_S), True),
        # a broker that is away has not given our name to another
        ((SHORT_S, SHORT_S, broken(OSError("away")), SHORT_S, SHORT_S), False),
        ((broken(OSError("away")), SHORT_S, SHORT_S, SHORT_S), True),
        # what was never accepted did not end
        ((SHORT_S, silent(), SHORT_S, silent()), False),
    ],
)
def test_so_many_short_ones_in_a_row(
    keeper: Keeper, lasted_s: tuple[float | Fake, ...], taken: bool
) -> None:
    """Connections that end within ten seconds, again and again, were taken from us."""
    keeper.run(*(replace(x) if isinstance(x, Fake) else keeper.stood(x) for x in lasted_s))
    assert keeper.relay.taken_over is taken


def test_the_first_seconds_of_the_machine_are_counted_like_any_others(
    monkeypatch: pytest.MonkeyPatch, heater: Heater
) -> None:
    """Its monotonic clock begins near 0."""
    keeper = Keeper(monkeypatch, heater, SteppedClock(Instant(1_700_000_000.0, 3.0)))
    keeper.run(*(keeper.stood(lasted_s) for lasted_s in (10.0, 30.0, 90.0)))
    assert not keeper.relay.taken_over


@pytest.mark.parametrize(
    ("reason", "by_packet", "taken"),
    [
        (TAKEN_OVER, True, True),
        (TAKEN_OVER, False, False),
        (CLOSING, True, False),
        (MOVED, True, False),
    ],
)
def test_only_the_broker_can_name_the_takeover(
    keeper: Keeper, reason: int, by_packet: bool, taken: bool
) -> None:
    """By a packet of its own and with that reason; then nobody comes back."""
    keeper.run(keeper.stood(600.0, reason, by_packet=by_packet), keeper.stood(600.0))
    assert keeper.relay.taken_over is taken
    assert len(keeper.clients) == (1 if taken else 2)


# --- the receipt of the last OFF ----------------------------------------------------------------


@pytest.mark.parametrize("error", [ValueError("queue full"), RuntimeError("not connected")])
def test_an_off_that_cannot_be_waited_for_is_not_confirmed(error: Exception) -> None:
    """Whatever the library makes of it, the will must speak then."""

    def raises(_: float) -> None:
        raise error

    assert not mqtt._confirmed(SimpleNamespace(wait_for_publish=raises))  # type: ignore[arg-type]


@pytest.mark.parametrize("published", [True, False])
def test_a_receipt_is_waited_for_five_seconds(published: bool) -> None:
    """Half of what a service manager leaves us; and it is the receipt that counts."""
    waited_s: list[float] = []
    info: Any = SimpleNamespace(wait_for_publish=waited_s.append, is_published=lambda: published)
    assert mqtt._confirmed(info) is published
    assert waited_s == [CONFIRM_S] == [5.0]


def test_a_relay_that_never_started_can_be_stopped(heater: Heater, clock: SteppedClock) -> None:
    """A start that failed half-way ends like any other."""
    relay = MqttRelay(Broker("broker.test", 1883), heater, client_id="c", clock=clock)
    assert relay.stop(OFF) is False


@pytest.mark.parametrize("how", ["stop", "abandon", "leave"])
def test_once_it_is_over_nothing_can_be_sent(
    monkeypatch: pytest.MonkeyPatch, heater: Heater, clock: SteppedClock, how: str
) -> None:
    """From that moment on, not only once the connection has noticed."""
    pump = replace(heater, relay=replace(heater.relay, falls_off=how != "leave"))
    keeper = Keeper(monkeypatch, pump, clock)
    end = {"stop": lambda: keeper.relay.stop(OFF), "abandon": keeper.relay.abandon}
    ready: list[bool] = []

    def attempt(client: Fake) -> None:
        client.accept()
        ready.append(keeper.relay.connected)
        end.get(how, keeper.relay.leave)()
        ready.append(keeper.relay.connected)
        client.end()

    keeper.run(Fake(attempt))
    assert ready == [True, False]


def test_its_thread_keeps_no_process_alive(heater: Heater, clock: SteppedClock) -> None:
    """A guard that dies takes it along, and the will speaks."""
    relay = MqttRelay(Broker("broker.test", 1883), heater, client_id="c", clock=clock)
    assert relay._keeper.daemon


def test_a_socket_that_is_gone_is_no_error() -> None:
    """Breaking what is broken leaves the watchdog alone."""
    gone = socket.socket()
    mqtt._break(SimpleNamespace(socket=lambda: gone))  # type: ignore[arg-type]
    gone.close()
