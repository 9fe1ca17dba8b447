"""Payload bytes to a reading, or to the reason why there is none. Pure: no I/O, no clock.

Whatever arrives on a sensor's topic may be wrong, so nothing here raises: bad data is a result.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from controller.records.instant import Instant
from controller.records.readings import Quality, Reading, Rejection
from controller.records.site import Role, Sensor
from controller.sensors.json_pointer import NothingThere, resolve
from controller.units import to_house

SIZE_LIMIT_BYTES = 64 * 1024
"""Largest payload that is looked at. A reading is a number and perhaps a time: bytes, not KiB."""

AHEAD_S = 30.0
"""How far a sensor's clock may run before ours: two machines set by network time, and rounding."""

_EXAMPLE_CHARACTERS = 80
_MILLISECONDS_FROM = 1e11
"""As seconds this is the year 5138, as milliseconds 1973: no sensor means either by the other."""

# narrower than float(), which takes "1_000", "infinity" and the digits of every script
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_NOT_FINITE = frozenset({"nan", "inf", "infinity"})
_SWITCH = {"on": 1.0, "true": 1.0, "1": 1.0, "off": 0.0, "false": 0.0, "0": 0.0}


@dataclass(frozen=True, slots=True)
class Message:
    """One message as it arrived. ``payload`` may be cut just above ``SIZE_LIMIT_BYTES``.

    ``retained`` tells that the broker had kept it, for any length of time, before we asked.
    """

    topic: str
    payload: bytes
    retained: bool
    at: Instant
    sequence: int


@dataclass(frozen=True, slots=True)
class Rejected:
    """A payload that gave no reading, with a printable piece of it for the owner."""

    sensor: str
    reason: Rejection
    at: Instant
    example: str


class _Refused(Exception):
    """Ends the decoding of one payload."""

    def __init__(self, reason: Rejection) -> None:
        super().__init__(reason)
        self.reason = reason


def decode_all(
    sensors: Iterable[Sensor], messages: Iterable[Message]
) -> tuple[list[Reading], list[Rejected]]:
    """Decode messages for every sensor that listens to their topics.

    Parameters
    ----------
    sensors : iterable of Sensor
        Several may share one topic.
    messages : iterable of Message
        In the order of their arrival.

    Returns
    -------
    list of Reading
    list of Rejected
    """
    by_topic: dict[str, list[Sensor]] = {}
    for sensor in sensors:
        by_topic.setdefault(sensor.topic, []).append(sensor)
    readings: list[Reading] = []
    rejected: list[Rejected] = []
    for message in messages:
        for sensor in by_topic.get(message.topic, ()):
            outcome = decode(sensor, message)
            if isinstance(outcome, Reading):
                readings.append(outcome)
            else:
                rejected.append(outcome)
    return readings, rejected


def decode(sensor: Sensor, message: Message) -> Reading | Rejected:
    """Turn one message into a reading in house units, or say why it gives none.

    Parameters
    ----------
    sensor : Sensor
        As the site file describes it.
    message : Message

    Returns
    -------
    Reading
        Of quality UNKNOWN_AGE where the broker had kept the message and the sensor sends no time
        of its own: such a message may be of any age.
    Rejected
    """
    try:
        value, own_time_s = _contents(sensor, message.payload)
        _check_not_ahead(own_time_s, message.at)
    except _Refused as refused:
        return Rejected(sensor.id, refused.reason, message.at, printable(message.payload))
    ageless = message.retained and own_time_s is None
    return Reading(
        sensor=sensor.id,
        role=sensor.role,
        subject=sensor.subject,
        value=value,
        measured_s=message.at.utc_s if own_time_s is None else own_time_s,
        received_s=message.at.utc_s,
        received_mono_s=message.at.mono_s,
        sequence=message.sequence,
        quality=Quality.UNKNOWN_AGE if ageless else Quality.GOOD,
    )


def printable(payload: bytes) -> str:
    """The beginning of a payload as one short line of printable text."""
    text = payload[: 4 * _EXAMPLE_CHARACTERS].decode("utf-8", errors="replace")
    text = "".join(char if char.isprintable() else "�" for char in text)
    if len(text) <= _EXAMPLE_CHARACTERS:
        return text
    return text[: _EXAMPLE_CHARACTERS - 1] + "…"


def _contents(sensor: Sensor, payload: bytes) -> tuple[float, float | None]:
    """The value in house units, and the sensor's own time [s] where it sends one."""
    text = _text(payload)
    wants_json = sensor.value_pointer is not None or sensor.time_pointer is not None
    document = _document(text) if wants_json else None
    found = text if sensor.value_pointer is None else _at(document, sensor.value_pointer)
    value = _switch(found) if sensor.role is Role.RELAY_STATE else _measured(sensor, found)
    if sensor.time_pointer is None:
        return value, None
    return value, _time_s(_at(document, sensor.time_pointer))


def _text(payload: bytes) -> str:
    if len(payload) > SIZE_LIMIT_BYTES:
        raise _Refused(Rejection.TOO_LARGE)
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise _Refused(Rejection.NOT_TEXT) from error


def _document(text: str) -> object:
    try:
        # whole numbers as floats too: int() refuses thousands of digits with an error of its own
        document: object = json.loads(text, parse_int=float)
    except (ValueError, RecursionError) as error:
        raise _Refused(Rejection.NOT_JSON) from error
    return document


def _at(document: object, pointer: str) -> object:
    try:
        return resolve(document, pointer)
    except NothingThere as error:
        raise _Refused(Rejection.POINTER_FINDS_NOTHING) from error


def _measured(sensor: Sensor, found: object) -> float:
    value = to_house(_number(found), sensor.unit, pulses_per_kwh=sensor.pulses_per_kwh)
    if not math.isfinite(value):
        raise _Refused(Rejection.NOT_FINITE)
    return value


def _number(found: object) -> float:
    """A JSON number, or a text that is one: many sensors send their numbers in quotes."""
    if isinstance(found, str):
        text = found.strip()
        if _NUMBER.fullmatch(text):
            return float(text)
        if text.lstrip("+-").lower() in _NOT_FINITE:
            raise _Refused(Rejection.NOT_FINITE)
    if isinstance(found, float):
        return found
    raise _Refused(Rejection.NOT_A_NUMBER)


def _switch(found: object) -> float:
    """1.0 for on, 0.0 for off."""
    if isinstance(found, bool):
        return float(found)
    if isinstance(found, str) and found.strip().lower() in _SWITCH:
        return _SWITCH[found.strip().lower()]
    if isinstance(found, float) and found in (0.0, 1.0):
        return found
    raise _Refused(Rejection.NOT_A_NUMBER)


def _time_s(found: object) -> float:
    """Seconds since 1970-01-01 UTC from seconds, milliseconds or ISO 8601 with its offset."""
    if isinstance(found, float) and math.isfinite(found) and found >= 0.0:
        return found / 1000.0 if found >= _MILLISECONDS_FROM else found
    if isinstance(found, str):
        return _iso_time_s(found.strip())
    raise _Refused(Rejection.BAD_TIME)


def _iso_time_s(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
        time_s = moment.timestamp()
    except (ValueError, OverflowError) as error:
        raise _Refused(Rejection.BAD_TIME) from error
    # without its offset a local time is two moments in autumn and none in spring
    if moment.tzinfo is None or time_s < 0.0:
        raise _Refused(Rejection.BAD_TIME)
    return time_s


def _check_not_ahead(own_time_s: float | None, at: Instant) -> None:
    if own_time_s is not None and own_time_s > at.utc_s + AHEAD_S:
        raise _Refused(Rejection.FROM_THE_FUTURE)
