"""Payloads good and bad: a reading, or a counted reason, never an exception."""

from __future__ import annotations

import json
import math
import time
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records.instant import Instant
from controller.records.readings import Quality, Reading, Rejection
from controller.records.site import Role, Sensor
from controller.sensors.decode import (
    SIZE_LIMIT_BYTES,
    Message,
    Rejected,
    decode,
    decode_all,
)
from controller.sensors.payload import printable

AT = Instant(utc_s=1_700_000_000.0, mono_s=1000.0)
NOW_ISO = "2023-11-14T22:13:20+00:00"


def message(payload: bytes, *, retained: bool = False, topic: str = "shed/air") -> Message:
    return Message(topic, payload, retained, AT, sequence=5)


def reason(sensor: Sensor, payload: bytes) -> Rejection:
    outcome = decode(sensor, message(payload))
    assert isinstance(outcome, Rejected), outcome
    return outcome.reason


def reading(sensor: Sensor, payload: bytes, *, retained: bool = False) -> Reading:
    outcome = decode(sensor, message(payload, retained=retained))
    assert isinstance(outcome, Reading), outcome
    return outcome


@pytest.fixture
def in_json(air) -> Sensor:
    return replace(air, value_pointer="/now/t", time_pointer="/now/at")


def stamped(at: object) -> bytes:
    return json.dumps({"now": {"t": 19.5, "at": at}}).encode()


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"19.5", 19.5),
        (b" 19.5\r\n", 19.5),
        (b"-3", -3.0),
        (b"+.5", 0.5),
        (b"2e1", 20.0),
        (b"7.", 7.0),
    ],
)
def test_a_bare_number_is_a_value(air, payload, value):
    """Without a pointer the whole payload is the number."""
    assert reading(air, payload).value == value


def test_a_reading_carries_its_sensor_and_both_clocks(air):
    """Every field of the reading comes from the sensor or from the message."""
    assert decode(air, message(b"19.5")) == Reading(
        sensor="air-1",
        role=Role.AIR,
        subject="shed",
        value=19.5,
        measured_s=AT.utc_s,
        received_s=AT.utc_s,
        received_mono_s=AT.mono_s,
        sequence=5,
        quality=Quality.GOOD,
    )


def test_a_pointer_finds_value_and_time(in_json):
    """Value and time are taken from where the pointers say."""
    found = reading(in_json, stamped(AT.utc_s - 40.0))
    assert (found.value, found.measured_s) == (19.5, AT.utc_s - 40.0)
    assert found.age_s(AT) == pytest.approx(40.0)  # exact but for binary fractions


def test_a_number_in_quotes_is_a_number(in_json):
    """Sensors that quote their numbers are understood."""
    payload = b'{"now": {"t": "19.5", "at": 1700000000}}'
    assert reading(in_json, payload).value == 19.5


def test_fahrenheit_becomes_celsius(air):
    """The value is in house units: 68 °F is 20 °C by definition of the scales."""
    assert reading(replace(air, unit="°F"), b"68").value == pytest.approx(20.0, abs=1e-12)


def test_pulses_become_energy():
    """1000 pulses of a meter with 800 to the kWh are 1.25 kWh (arithmetic)."""
    meter = Sensor("m", Role.ENERGY, "boiler", "shed/air", "pulses", pulses_per_kwh=800.0)
    assert reading(meter, b"1000").value == 1.25


@pytest.mark.parametrize(
    ("payload", "state"),
    [(b"on", 1.0), (b"OFF", 0.0), (b"true", 1.0), (b"False", 0.0), (b"1", 1.0), (b"0\n", 0.0)],
)
def test_a_relay_state_in_words(payload, state):
    """On and off in the usual spellings."""
    relay = Sensor("r", Role.RELAY_STATE, "boiler", "shed/air", "on/off")
    assert reading(relay, payload).value == state


@pytest.mark.parametrize(("found", "state"), [(True, 1.0), (False, 0.0), (1, 1.0), ("off", 0.0)])
def test_a_relay_state_in_json(found, state):
    """True, false, 1, 0 and the words, wherever the pointer leads."""
    relay = Sensor("r", Role.RELAY_STATE, "boiler", "shed/air", "on/off", value_pointer="/s")
    assert reading(relay, json.dumps({"s": found}).encode()).value == state


@pytest.mark.parametrize("payload", [b"2", b"0.5", b"half", b"null", b"", b"nan"])
def test_no_relay_state(payload):
    """A contact is open or closed: anything between is refused."""
    relay = Sensor("r", Role.RELAY_STATE, "boiler", "shed/air", "on/off")
    assert reason(relay, payload) is Rejection.NOT_A_NUMBER


@pytest.mark.parametrize(
    "payload",
    [b"", b" ", b"unavailable", b"None", b"true", b"1_000", b"12,5", b"0x1F", b"1 2", b"--1", b".",
     b"e5", b'{"t": 1}', "２１".encode(), "١".encode()],
)  # fmt: skip
def test_what_is_no_number(air, payload):
    """Text, truth values and digits that only look like a number."""
    assert reason(air, payload) is Rejection.NOT_A_NUMBER


@pytest.mark.parametrize("payload", [b"nan", b"NaN", b"inf", b"-Infinity", b"1e999", b"9" * 5000])
def test_what_is_not_finite(air, payload):
    """Numbers that are none, or too large to be one."""
    assert reason(air, payload) is Rejection.NOT_FINITE


def test_a_value_that_overflows_in_its_unit(air):
    """A number that is finite as sent and infinite in house units is refused too."""
    watts = replace(air, role=Role.POWER, unit="kW")
    assert reason(watts, b"1e307") is Rejection.NOT_FINITE


@pytest.mark.parametrize("value", ["null", "true", "[]", "{}", '"unavailable"', '""'])
def test_json_that_is_no_number(in_json, value):
    """A pointer that finds something else than a number."""
    payload = f'{{"now": {{"t": {value}, "at": 1700000000}}}}'.encode()
    assert reason(in_json, payload) is Rejection.NOT_A_NUMBER


@pytest.mark.parametrize("value", ["NaN", "-Infinity", "1e999", "9" * 5000, '"nan"'])
def test_json_that_is_not_finite(in_json, value):
    """The constants that JSON does not have, and numbers beyond all bounds."""
    payload = f'{{"now": {{"t": {value}, "at": 1700000000}}}}'.encode()
    assert reason(in_json, payload) is Rejection.NOT_FINITE


@pytest.mark.parametrize(
    "payload", [b"{", b"unavailable", b"", b"[" * 60_000, b'{"a":' * 10_000, b"\x00"]
)
def test_what_is_no_json(in_json, payload):
    """Broken JSON, and nesting deep enough to exhaust the parser."""
    assert reason(in_json, payload) is Rejection.NOT_JSON


@pytest.mark.parametrize("payload", [b"{}", b'{"now": {"t": 1}}', b"19.5", b"[1]", b'{"now": 3}'])
def test_a_pointer_that_finds_nothing(in_json, payload):
    """Valid JSON without the value or without the time."""
    assert reason(in_json, payload) is Rejection.POINTER_FINDS_NOTHING


def test_bytes_that_are_no_text(air):
    """Invalid UTF-8."""
    assert reason(air, b"19.5\xff") is Rejection.NOT_TEXT


def test_a_payload_of_the_size_limit_is_read(air):
    """The limit itself is allowed, one byte more is not."""
    padded = b"19.5".ljust(SIZE_LIMIT_BYTES)
    assert reading(air, padded).value == 19.5
    assert reason(air, padded + b" ") is Rejection.TOO_LARGE


@pytest.mark.parametrize(
    "at",
    [1_699_999_960, 1_699_999_960_000, 1_699_999_960.0, "2023-11-14T22:12:40Z",
     "2023-11-14T23:12:40+01:00", "2023-11-14T17:42:40.000-04:30"],
)  # fmt: skip
def test_every_form_of_time_names_the_same_moment(in_json, at):
    """Seconds, milliseconds and ISO 8601 with any offset: 40 s before receipt."""
    assert reading(in_json, stamped(at)).measured_s == AT.utc_s - 40.0


@pytest.mark.parametrize(
    "at",
    ["2023-11-14T22:12:40", "2023-11-14", "22:12", "yesterday", "", None, True, [], -1,
     float("nan"), float("inf"), "1700000000", "0001-01-01T00:00:00+23:59",
     "9999-12-31T23:59:59-23:59", "2023-11-14T22:12:40+25:00"],
)  # fmt: skip
def test_no_time(in_json, at):
    """A local time without its offset names no moment; nor does anything else here."""
    outcome = decode(in_json, message(stamped(at)))
    assert isinstance(outcome, Rejected)
    # the last day of the calendar is a moment, only not one that has come
    assert outcome.reason in {Rejection.BAD_TIME, Rejection.FROM_THE_FUTURE}
    assert (outcome.reason is Rejection.FROM_THE_FUTURE) == str(at).startswith("9999")


def test_a_clock_slightly_ahead_is_allowed(in_json):
    """30 s ahead passes and counts as no delay; more is refused."""
    assert reading(in_json, stamped(AT.utc_s + 30.0)).age_s(AT) == 0.0
    assert reason(in_json, stamped(AT.utc_s + 30.5)) is Rejection.FROM_THE_FUTURE


def test_a_retained_message_without_a_time_is_of_unknown_age(air):
    """MQTT keeps a retained message for ever and does not say since when."""
    assert reading(air, b"19.5", retained=True).quality is Quality.UNKNOWN_AGE


def test_a_retained_message_with_a_time_has_its_age(in_json):
    """Its own time says how old it is, whenever it arrives."""
    found = reading(in_json, stamped(AT.utc_s - 7200.0), retained=True)
    assert found.quality is Quality.GOOD
    assert found.age_s(AT) == pytest.approx(7200.0)


def test_two_sensors_share_a_topic(air):
    """One payload may hold the values of several sensors; each is decoded by itself."""
    first = replace(air, value_pointer="/a")
    second = replace(air, id="slab-1", role=Role.SLAB, value_pointer="/b")
    other = replace(air, id="out", topic="yard/air")
    readings, rejected = decode_all(
        [first, second, other], [message(b'{"a": 1.5}'), message(b'{"a": 2.5, "b": 3.5}')]
    )
    assert [(r.sensor, r.value) for r in readings] == [
        ("air-1", 1.5),
        ("air-1", 2.5),
        ("slab-1", 3.5),
    ]
    assert [(r.sensor, r.reason) for r in rejected] == [("slab-1", Rejection.POINTER_FINDS_NOTHING)]


def test_an_example_is_short_and_printable():
    """Control characters cannot reach the owner's terminal, nor a megabyte its record."""
    assert printable(b"\x1b[2Jhi\n") == "�[2Jhi�"
    assert printable(b"\xff19") == "�19"
    assert len(printable(b"x" * 5000)) == 80
    assert printable(b"x" * 5000).endswith("…")


@pytest.mark.parametrize("wrong", ["x", ".1x", "e", "e+", " 1", "-"])
def test_no_text_of_digits_holds_the_service_up(air, wrong):
    """64 KiB of digits that end wrong are refused at once.

    Tried in every way they would take a minute, and no watchdog bites in the middle of a pattern.
    """
    for payload in ("1" * 65_000 + wrong, "." + "1" * 65_000 + wrong):
        began_s = time.process_time()
        assert reason(air, payload.encode()) is Rejection.NOT_A_NUMBER
        assert time.process_time() - began_s < 2.0


_LEAF = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=30),
    st.datetimes(timezones=st.sampled_from([None, UTC])).map(datetime.isoformat),
)
_PAYLOAD = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=50).map(lambda text: text.encode("utf-8", "replace")),
    st.floats().map(lambda number: repr(number).encode()),
    st.builds(
        lambda value, time: json.dumps({"now": {"t": value, "at": time}}).encode(), _LEAF, _LEAF
    ),
)
_SENSORS = st.builds(
    Sensor,
    st.just("s"),
    st.sampled_from(Role),
    st.just("shed"),
    st.just("shed/air"),
    st.sampled_from(["°C", "°F", "kW", "psi", "bar"]),
    value_pointer=st.sampled_from([None, "", "/now/t", "/now", "x", "/now/~"]),
    time_pointer=st.sampled_from([None, "", "/now/at", "/-"]),
)


@given(_SENSORS, _PAYLOAD, st.booleans())
def test_every_payload_is_read_or_rejected(sensor, payload, retained):
    """Any bytes at all give a finite reading of a possible time, or a reason with an example."""
    outcome = decode(sensor, message(payload, retained=retained))
    if isinstance(outcome, Reading):
        assert math.isfinite(outcome.value)
        assert outcome.measured_s <= AT.utc_s + 30.0
        if retained and sensor.time_pointer is None:
            assert outcome.quality is Quality.UNKNOWN_AGE
    else:
        assert outcome.reason in Rejection
        assert outcome.example.isprintable()
