"""How a relay's connection is kept, retried and given up: step by step, without a network."""

from __future__ import annotations

import logging
import socket
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

import pytest
from paho.mqtt.enums import MQTTErrorCode

from controller.clock import SteppedClock
from controller.credentials import CredentialError
from controller.mqtt_client import FIRST_RETRY_S, LAST_RETRY_S
from controller.records.decision import Command
from controller.records.instant import Instant
from controller.records.site import Broker, Heater
from controller.relays import mqtt
from controller.relays.mqtt import CONFIRM_S, SHORT_LIVED_IN_A_ROW, SHORT_LIVED_S, MqttRelay

OFF = Command("boiler", heat=False, sequence=8, issued_s=1_700_000_010.5, lease_s=0.0)
TAKEN_OVER = 0x8E
"""MQTT 5.0, section 3.14.2.1: Session taken over."""
CLOSING = 0x8B
"""The same section: Server shutting down."""
MOVED = 0x9D
"""The same section: Server moved."""


class Closing:
    """Stands for the event that ends the keeper: remembers each pause, and passes at once."""

    def __init__(self) -> None:
        self.is_told = False
        self.pauses_s: list[float] = []

    def is_set(self) -> bool:
        return self.is_told

    def set(self) -> None:
        self.is_told = True

    def wait(self, timeout_s: float) -> None:
        self.pauses_s.append(timeout_s)


@dataclass
class Fake:
    """A client of MQTT whose connections go as the test has said."""

    attempt: Callable[[Fake], None]
    connects: bool = True
    subscribed: list[tuple[str, int]] = field(default_factory=list)
    published: list[bytes] = field(default_factory=list)
    on_connect: Any = None
    on_disconnect: Any = None
    on_message: Any = None
    publishes: MQTTErrorCode = MQTTErrorCode.MQTT_ERR_SUCCESS

    def will_set(self, *_: Any, **__: Any) -> None:
        pass

    def connect(self, *_: Any, **__: Any) -> None:
        if self.connects:
            return
        self.attempt(self)

    def loop_start(self) -> None:
        self.attempt(self)

    def loop_stop(self) -> None:
        pass

    def disconnect(self) -> None:
        pass

    def socket(self) -> None:
        return None

    def subscribe(self, topic: str, qos: int) -> None:
        self.subscribed.append((topic, qos))

    def publish(self, topic: str, payload: bytes, **_: Any) -> Any:
        self.published.append(payload)
        return SimpleNamespace(
            rc=self.publishes, wait_for_publish=lambda _: None, is_published=lambda: True
        )

    def accept(self, *, fails: bool = False) -> None:
        self.on_connect(self, None, None, Reason(0, fails), None)

    def end(self, reason: int = 0, *, by_packet: bool = False) -> None:
        flags = SimpleNamespace(is_disconnect_packet_from_server=by_packet)
        self.on_disconnect(self, None, flags, Reason(reason), None)


@dataclass(frozen=True)
class Reason:
    """A reason code as the library gives it."""

    value: int
    is_failure: bool = False

    def __str__(self) -> str:
        return "Not authorized" if self.is_failure else "Success"


class Keeper:
    """One relay and the attempts that its keeper makes, run to their end in this thread."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, heater: Heater, clock: SteppedClock
    ) -> None:
        self.clock = clock
        self.relay = MqttRelay(Broker("broker.test", 1883), heater, client_id="c", clock=clock)
        self.closing = Closing()
        monkeypatch.setattr(self.relay, "_closing", self.closing)
        self.clients: list[Fake] = []
        self._script: list[Fake] = []
        monkeypatch.setattr(mqtt, "new_client", self._next)

    def run(self, *attempts: Fake) -> None:
        """Make these attempts one after the other, or fewer where the relay gives up."""
        self.closing.is_told = False
        self._script = list(attempts)
        self.relay._keep()

    def _next(self, *_: Any, client_id: str, reconnects: bool) -> Fake:
        assert (client_id, reconnects) == ("c", False), "the keeper alone reconnects"
        client = self._script.pop(0)
        self.clients.append(client)
        if not self._script:
            last = client.attempt

            def and_close(fake: Fake) -> None:
                try:
                    last(fake)
                finally:
                    self.closing.set()

            client.attempt = and_close
        return client

    def stood(self, lasted_s: float, reason: int = 0, *, by_packet: bool = False) -> Fake:
        """A connection that was accepted and ended after a time."""

        def attempt(client: Fake) -> None:
            client.accept()
            self.clock.advance(lasted_s)
            client.end(reason, by_packet=by_packet)

        return Fake(attempt)


def broken(error: Exception) -> Fake:
    """One that did not come about."""

    def attempt(_: Fake) -> None:
        raise error

    return Fake(attempt, connects=False)


def refused() -> Fake:
    """One that the broker refused by name."""

    def attempt(client: Fake) -> None:
        client.accept(fails=True)
        client.end()

    return Fake(attempt)


def silent() -> Fake:
    """One that the broker broke off before it had accepted it."""
    return Fake(lambda client: client.end())


@pytest.fixture
def keeper(monkeypatch: pytest.MonkeyPatch, heater: Heater, clock: SteppedClock) -> Keeper:
    return Keeper(monkeypatch, heater, clock)


def told(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]


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
    assert told(caplog) == [f"the broker broker.test is not connected: {error}"]
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
    assert told(caplog) == [f"the broker broker.test is not connected: {why}"]
    assert keeper.clients[0].published == []


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


# --- who has taken our name ---------------------------------------------------------------------


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
