"""How a relay's connection is kept and retried: step by step, without a network."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import pytest
from paho.mqtt.enums import MQTTErrorCode

from controller.clock import SteppedClock
from controller.credentials import CredentialError
from controller.mqtt_client import FIRST_RETRY_S, LAST_RETRY_S
from controller.records.decision import Command
from controller.records.site import Heater
from tests.controller.relays.fake_client import Fake, Keeper, Reason, broken, refused, silent

OFF = Command("boiler", heat=False, sequence=8, issued_s=1_700_000_010.5, lease_s=0.0)


LOST = "the connection to the relay's broker is lost: "


def said(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]


def told(caplog: pytest.LogCaptureFixture) -> list[str]:
    """Why no connection came about."""
    return [text for text in said(caplog) if not text.startswith(LOST)]


def test_it_waits_twice_as_long_each_time_and_half_a_minute_at_most(keeper: Keeper) -> None:
    """A broker that is away for a night is not asked each second."""
    keeper.run(*(broken(OSError(111, "Connection refused")) for _ in range(7)))
    assert keeper.closing.pauses_s == [FIRST_RETRY_S, 2, 4, 8, 16, LAST_RETRY_S, LAST_RETRY_S]


def test_after_a_connection_that_stood_it_comes_back_at_once(keeper: Keeper) -> None:
    """What came before it counts no more."""
    away = [broken(OSError("away")) for _ in range(3)]
    keeper.run(*away, keeper.stood(60.0), broken(OSError("away")))
    assert keeper.closing.pauses_s == [1, 2, 4, FIRST_RETRY_S, 2]


@pytest.mark.parametrize(
    "error",
    [
        OSError("no route"),
        ValueError("invalid host"),
        CredentialError("password", "it is gone", "put it back"),
    ],
)
def test_whatever_keeps_it_from_connecting_is_told_and_tried_again(
    keeper: Keeper, caplog: pytest.LogCaptureFixture, error: Exception
) -> None:
    """The keeper's thread must outlive a file of secrets that is being replaced."""
    keeper.run(broken(error), keeper.stood(60.0))
    assert told(caplog) == [f"the broker broker.test does not serve the relay: {error}"]
    assert len(keeper.clients) == 2


def test_a_reason_is_told_once_until_it_is_another(
    keeper: Keeper, caplog: pytest.LogCaptureFixture
) -> None:
    """And anew once the broker has been there meanwhile."""
    whys = ["away", "".join(("a", "way")), "no route", "away", "", "away"]
    keeper.run(*(broken(OSError(why)) if why else keeper.stood(60.0) for why in whys))
    assert [text.rpartition(": ")[2] for text in told(caplog)] == [
        "away", "no route", "away", "away",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("attempt", "why"),
    [
        (refused, "it refuses the relay's client c: Not authorized"),
        (silent, "it broke the connection off without a word"),
    ],
)
def test_a_broker_that_does_not_take_us_is_told(
    keeper: Keeper,
    caplog: pytest.LogCaptureFixture,
    attempt: Callable[[], Fake],
    why: str,
) -> None:
    """By its own reason where it gives one."""
    keeper.run(attempt(), keeper.stood(60.0))
    assert told(caplog) == [f"the broker broker.test does not serve the relay: {why}"]
    assert keeper.clients[0].published == []


def test_a_connection_that_is_lost_is_told_with_its_reason(
    keeper: Keeper, caplog: pytest.LogCaptureFixture
) -> None:
    """Each time; one that we end ourselves is not lost."""
    keeper.run(keeper.stood(60.0, 0x8B, by_packet=True), keeper.stood(60.0))

    def attempt(client: Fake) -> None:
        client.accept()
        keeper.closing.set()
        client.end()

    keeper.closing.is_told = False
    keeper.run(Fake(attempt))
    assert [text for text in said(caplog) if text.startswith(LOST)] == [LOST + "Success"] * 2


@pytest.mark.parametrize(
    ("reason", "by_packet", "taken"),
    [
        (0x80, False, True),
        (0x81, False, False),
        (0x82, False, False),
        (0x8B, True, False),  # the server shuts down, MQTT 5.0 section 3.14.2.1
        (0x8E, True, True),
    ],
)
def test_only_what_nothing_explains_counts_as_taken_over(
    keeper: Keeper, reason: int, by_packet: bool, taken: bool
) -> None:
    """Three connections that do not last; the broker may say why, or the library know."""
    keeper.run(*(keeper.stood(1.0, reason, by_packet=by_packet) for _ in range(3)))
    assert keeper.relay.taken_over is taken


def test_a_thread_that_cannot_be_started_does_not_end_the_keeper(
    keeper: Keeper, caplog: pytest.LogCaptureFixture
) -> None:
    """It is told, with its trace, and tried again like a broker that is away."""
    keeper.run(*[broken(RuntimeError("can't start new thread"))] * 2, keeper.stood(60.0))
    assert told(caplog) == ["unexpected error while connecting to broker.test"] * 2
    assert keeper.closing.pauses_s == [FIRST_RETRY_S, 2, FIRST_RETRY_S]


@pytest.mark.parametrize("refused", [False, True])
def test_a_report_topic_that_the_broker_refuses_is_told(
    keeper: Keeper, caplog: pytest.LogCaptureFixture, refused: bool
) -> None:
    """Without reports no ON can be sent, and somebody must know why."""

    def attempt(client: Fake) -> None:
        client.accept()
        client.on_subscribe(client, None, 1, [Reason(0, is_failure=refused)], None)
        client.end()

    keeper.run(Fake(attempt))
    assert [("let us listen" in text) for text in told(caplog)] == [True] * refused


def test_an_off_that_the_broker_refuses_is_not_confirmed(
    keeper: Keeper, caplog: pytest.LogCaptureFixture
) -> None:
    """So the connection is abandoned at a stop, and the will speaks."""
    confirmed: list[bool] = []

    def attempt(client: Fake) -> None:
        client.accept()
        client.refuses = 0x87  # not authorized, MQTT 5.0 section 3.4.2.1
        confirmed.append(keeper.relay.stop(OFF))
        client.end()

    keeper.run(Fake(attempt))
    assert confirmed == [False]
    assert len(told(caplog)) == 1
    assert "takes no command on shed/heater/order" in told(caplog)[0]


def test_each_connection_says_off_once(keeper: Keeper) -> None:
    """Whoever asks hears of it once, however many there were."""
    assert keeper.relay.take_interruption() is False
    keeper.run(keeper.stood(60.0), keeper.stood(60.0))
    assert [keeper.relay.take_interruption() for _ in range(2)] == [True, False]


def test_a_stop_in_the_middle_of_connecting_is_no_complaint(
    keeper: Keeper, caplog: pytest.LogCaptureFixture
) -> None:
    """We broke it off ourselves."""

    def attempt(client: Fake) -> None:
        keeper.closing.set()
        client.end()

    keeper.run(Fake(attempt))
    assert told(caplog) == []


def test_a_connection_that_comes_while_closing_is_not_ready(keeper: Keeper) -> None:
    """No ON may be sent on it."""
    seen = []

    def attempt(client: Fake) -> None:
        keeper.closing.set()
        client.accept()
        seen.append(keeper.relay.connected)
        client.end()

    keeper.run(Fake(attempt))
    assert seen == [False]


def test_reports_are_heard_once_each(
    monkeypatch: pytest.MonkeyPatch, heater: Heater, clock: SteppedClock
) -> None:
    """At QoS 0: one that waited for us would say what the relay was, not what it is."""
    reporting = replace(heater, relay=replace(heater.relay, report_topic="shed/heater/says"))
    keeper = Keeper(monkeypatch, reporting, clock)
    keeper.run(keeper.stood(60.0))
    assert keeper.clients[0].subscribed == [("shed/heater/says", 0)]


@pytest.mark.parametrize("error", [c for c in MQTTErrorCode if c])
def test_what_the_library_would_not_send_was_not_sent(keeper: Keeper, error: MQTTErrorCode) -> None:
    """Nor is it counted."""
    sent: list[bool] = []

    def attempt(client: Fake) -> None:
        client.accept()
        client.publishes = error
        sent.append(keeper.relay.send(OFF))
        client.end()

    keeper.run(Fake(attempt))
    assert (sent, keeper.relay.published) == ([False], 1)


@pytest.mark.parametrize(
    ("topic", "retained", "heard"),
    [
        ("shed/heater/says", False, True),
        ("shed/heater/says", True, False),
        ("shed/heater/said", False, False),
        ("shed/heater/tells", False, False),
    ],
)
def test_only_the_relays_own_report_is_heard(
    monkeypatch: pytest.MonkeyPatch,
    heater: Heater,
    clock: SteppedClock,
    topic: str,
    retained: bool,
    heard: bool,
) -> None:
    """Fresh, and on its topic."""
    reporting = replace(heater, relay=replace(heater.relay, report_topic="shed/heater/says"))
    keeper = Keeper(monkeypatch, reporting, clock)
    payload = b'{"heat": false, "uptime_s": 5.0, "seq": 1}'

    def attempt(client: Fake) -> None:
        client.accept()
        message = SimpleNamespace(retain=retained, topic=topic, payload=payload)
        client.on_message(client, None, message)
        client.end()

    keeper.run(Fake(attempt))
    assert (keeper.relay.report is not None) is heard
