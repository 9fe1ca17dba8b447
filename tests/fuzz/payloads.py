"""Payloads of MQTT messages: sensors, forecasts, relay reports, and the topics they come on."""

from __future__ import annotations

import json
import math
import random
from contextlib import closing
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path

from paho.mqtt.client import MQTTMessage

from controller.clock import SteppedClock
from controller.intake import Intake
from controller.plausibility import plausible
from controller.records.forecast import Forecast
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.readings import Condition, Quality, Reading, Rejection
from controller.records.site import (
    FORECAST,
    Broker,
    ForecastFeed,
    ForecastValue,
    Role,
    Sensor,
)
from controller.relays.mqtt import parse_report
from controller.sensors.decode import AHEAD_S, Message, Rejected, decode
from controller.sensors.decode_forecast import AHEAD_S as FORECAST_AHEAD_S
from controller.sensors.decode_forecast import PAST_S, POINTS_MAX, decode_forecast
from controller.sensors.mqtt import SensorIntake
from controller.store import open_writer
from tests.controller.builders import START, make_site
from tests.fuzz.kinds import check_printable
from tests.fuzz.mutate import mutated

EXAMPLE_LENGTH = 80

BARE = Sensor("air", Role.AIR, "bay", "t/air", "°C")
STAMPED = Sensor("slab", Role.SLAB, "bay", "t/slab", "°C", "/value", "/time")
NESTED = Sensor("deep", Role.AIR, "bay", "t/deep", "°F", "/a/0/b~1c", "/a/1")
SWITCH = Sensor("relay", Role.RELAY_STATE, "boiler", "t/relay", "on/off", "/heat")
PULSES = Sensor("meter", Role.ENERGY, "boiler", "t/meter", "pulses", pulses_per_kwh=1000.0)
WHOLE = Sensor("pressure", Role.PRESSURE, "bay-loop", "t/bar", "psi", "", None)
SENSORS = (BARE, STAMPED, NESTED, SWITCH, PULSES, WHOLE)


def _good_of(sensor: Sensor, at_s: float) -> list[bytes]:
    value: object = True if sensor is SWITCH else 18.5
    if sensor is NESTED:
        return [json.dumps({"a": [{"b/c": 65.3}, at_s * 1000.0]}).encode()]
    if sensor.value_pointer:
        key = sensor.value_pointer[1:]
        return [
            json.dumps({key: value, "time": at_s}).encode(),
            json.dumps({key: value, "time": "2026-01-12T07:00:00+01:00", "x": [1]}).encode(),
        ]
    return [b"18.5", b"21", b" -3.25\n", b"1e1"]


GOOD = {sensor.id: _good_of(sensor, START.utc_s) for sensor in SENSORS}


@dataclass(frozen=True, slots=True)
class Sent:
    """A message to one sensor."""

    sensor: Sensor
    message: Message


class SensorPayloads:
    """A payload gives a reading that it bears out, or is rejected with its reason."""

    name, share = "sensors", 1.0

    def __init__(self, folder: Path) -> None:
        pass

    def make(self, chance: random.Random) -> Sent:
        sensor = chance.choice(SENSORS)
        payload = mutated(chance, GOOD[sensor.id])
        return Sent(sensor, Message(sensor.topic, payload, chance.random() < 0.2, START, 1))

    def check(self, case: Sent) -> None:
        sensor, message = case.sensor, case.message
        found = decode(sensor, message)
        if isinstance(found, Rejected):
            assert (found.sensor, found.at) == (sensor.id, START)
            assert isinstance(found.reason, Rejection)
            check_printable(found.example, most=EXAMPLE_LENGTH)
            return
        assert isinstance(found, Reading)
        assert math.isfinite(found.value)
        assert 0.0 <= found.measured_s <= START.utc_s + AHEAD_S
        ageless = message.retained and sensor.time_pointer is None
        assert found.quality is (Quality.UNKNOWN_AGE if ageless else Quality.GOOD)
        if sensor in (BARE, STAMPED):
            said = _said(sensor, message.payload)
            assert abs(Decimal(found.value) - said) <= abs(said) * Decimal("1e-9") + _TINY


_TINY = Decimal("1e-300")
"""Beyond this a float has fewer digits."""


def _said(sensor: Sensor, payload: bytes) -> Decimal:
    """What a payload says, read in another way than the service reads it."""
    text = payload.decode("utf-8")
    if sensor is not BARE:
        held = json.loads(text, parse_float=str, parse_int=str)["value"]
        assert isinstance(held, str)
        text = held
    try:
        return Decimal(text.strip())
    except InvalidOperation:  # an exponent beyond what it holds: nothing, or without end
        return Decimal(float(text))


HOURS = 6
FEED = ForecastFeed(
    topic="t/forecast",
    entries_pointer=None,
    time_pointer="/time",
    values=(
        ForecastValue(Role.OUTDOOR, "/t", "°C"),
        ForecastValue(Role.IRRADIANCE, "/sun", "W/m2"),
    ),
)
ENTRIES = ForecastFeed(
    topic="t/forecast",
    entries_pointer="/hours",
    time_pointer="/at",
    values=(ForecastValue(Role.OUTDOOR, "/t", "°C"),),
)


def _good_forecasts() -> tuple[list[bytes], list[bytes]]:
    times = [START.utc_s + 3600.0 * hour for hour in range(HOURS)]
    columns = {"time": times, "t": [3.0] * HOURS, "sun": [100.0, None, 0.0, 20.0, 1.0, 5.0]}
    entries = {"hours": [{"at": at_s, "t": 2.5} for at_s in times]}
    return [json.dumps(columns).encode()], [json.dumps(entries).encode()]


GOOD_COLUMNS, GOOD_ENTRIES = _good_forecasts()


class Forecasts:
    """A forecast is believed whole or not at all."""

    name, share = "forecasts", 0.3

    def __init__(self, folder: Path) -> None:
        pass

    def make(self, chance: random.Random) -> tuple[ForecastFeed, Message]:
        in_columns = chance.random() < 0.5
        feed, good = (FEED, GOOD_COLUMNS) if in_columns else (ENTRIES, GOOD_ENTRIES)
        return feed, Message(feed.topic, mutated(chance, good), False, START, 1)

    def check(self, case: tuple[ForecastFeed, Message]) -> None:
        found = decode_forecast(*case)
        if isinstance(found, Rejected):
            assert found.sensor == FORECAST
            check_printable(found.example, most=EXAMPLE_LENGTH)
            return
        assert isinstance(found, Forecast)
        times = [point.at_s for point in found.points]
        assert times == sorted(set(times))
        assert 0 < len(times) <= POINTS_MAX
        assert START.utc_s - PAST_S <= times[0]
        assert START.utc_s < times[-1] <= START.utc_s + FORECAST_AHEAD_S
        for point in found.points:
            values = {Role.OUTDOOR: point.outdoor_c, Role.IRRADIANCE: point.irradiance_w_m2}
            known = {role: value for role, value in values.items() if value is not None}
            assert known
            for role, value in known.items():
                assert plausible(role, rating_w=0.0).holds(value)


class RelayReports:
    """A board's report is understood, or passed over."""

    name, share = "reports", 0.3
    GOOD = (
        b'{"heat": true, "uptime_s": 33.2, "seq": 7}',
        b'{"heat": false, "uptime_s": 0, "seq": 0}',
    )

    def __init__(self, folder: Path) -> None:
        pass

    def make(self, chance: random.Random) -> bytes:
        return mutated(chance, self.GOOD)

    def check(self, case: bytes) -> None:
        found = parse_report(case, START)
        if found is not None:
            said = json.loads(case)
            assert said["heat"] is found.heat
            assert said["seq"] == found.sequence
            assert type(found.sequence) is int
            assert math.isfinite(found.uptime_s)
            assert found.uptime_s >= 0.0


class Topics:
    """Only what was asked for is kept, whatever a broker hands out, under whatever name."""

    name, share = "topics", 0.2
    KNOWN = ("t/air", "t/slab", "t/é")

    def __init__(self, folder: Path) -> None:
        self._clock = SteppedClock(START)
        broker = Broker("localhost", 1)
        self._intake = SensorIntake(broker, self.KNOWN, client_id="fuzz", clock=self._clock)

    def make(self, chance: random.Random) -> tuple[bytes, bytes]:
        return mutated(chance, [name.encode() for name in self.KNOWN]), chance.randbytes(3)

    def check(self, case: tuple[bytes, bytes]) -> None:
        topic, payload = case
        message = MQTTMessage(topic=topic)
        message.payload = payload
        # as the library's network thread calls it, never being connected
        self._intake._client._handle_on_message(message)
        kept = self._intake.drain()
        wanted = topic in [name.encode() for name in self.KNOWN]
        assert [(one.topic.encode(), one.payload) for one in kept] == [case] * wanted


class WholeIntake:
    """Hundreds of messages in a tick: all are judged, stored and told, and none raises."""

    name, share = "intake", 0.002
    BATCH = 300

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._now = START
        self._site = make_site(sensors=SENSORS, forecast=FEED)
        self._waiting: list[Message] = []
        self._lost: dict[str, int] = {}
        self._intake = Intake(self._site, self)

    def drain(self) -> list[Message]:
        waiting, self._waiting = self._waiting, []
        return waiting

    def take_lost(self) -> dict[str, int]:
        lost, self._lost = self._lost, {}
        return lost

    def make(self, chance: random.Random) -> list[tuple[str, bytes, bool]]:
        made = []
        for _ in range(self.BATCH):
            sensor = chance.choice(SENSORS)
            topic, good = sensor.topic, GOOD[sensor.id]
            if chance.random() < 0.05:
                topic, good = FEED.topic, GOOD_COLUMNS
            made.append((topic, mutated(chance, good), chance.random() < 0.1))
        return made

    def check(self, case: list[tuple[str, bytes, bool]]) -> None:
        step_s = 10.0
        self._now = Instant(self._now.utc_s + step_s, self._now.mono_s + step_s)
        for number, (topic, payload, retained) in enumerate(case):
            self._waiting.append(Message(topic, payload, retained, self._now, number))
        self._lost = {BARE.topic: len(case)}
        with closing(open_writer(self._folder)) as store:
            notices = self._intake.take(self._now, store, at_once=True)
        for notice in notices:
            check_printable(notice.text, most=2000)
        for sensed in self._intake.sensed(SENSORS, Limits(), self._now):
            if sensed.condition is Condition.FRESH:
                assert sensed.value is not None
                rating_w = self._site.heaters[0].rating_w
                assert plausible(sensed.role, rating_w=rating_w).holds(sensed.value)


KINDS = (SensorPayloads, Forecasts, RelayReports, Topics, WholeIntake)
