"""Payload bytes to a reading, or to the reason why there is none. Pure: no I/O, no clock.

Whatever arrives on a sensor's topic may be wrong, so nothing here raises: bad data is a result.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from controller.records.instant import Instant
from controller.records.readings import Quality, Reading, Rejection
from controller.records.site import Role, Sensor
from controller.sensors.payload import (
    Refused,
    document_of,
    found_at,
    number_of,
    printable,
    text_of,
    time_of,
)
from controller.units import to_house

SIZE_LIMIT_BYTES = 64 * 1024
"""Largest payload that is looked at. A reading is a number and perhaps a time: bytes, not KiB."""

AHEAD_S = 30.0
"""How far a sensor's clock may run before ours: two machines set by network time, and rounding."""

_SWITCH = {"on": 1.0, "true": 1.0, "1": 1.0, "off": 0.0, "false": 0.0, "0": 0.0}


@dataclass(frozen=True, slots=True)
class Message:
    """One message as it arrived. ``payload`` may be cut just above what is ever decoded.

    ``retained`` tells that the broker had kept it, for any length of time, before we asked.
    """

    topic: str
    payload: bytes
    retained: bool
    at: Instant
    sequence: int


@dataclass(frozen=True, slots=True)
class Rejected:
    """A payload that gave no reading or forecast, with a printable piece of it for the owner."""

    sensor: str
    reason: Rejection
    at: Instant
    example: str


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
    except Refused as refused:
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


def _contents(sensor: Sensor, payload: bytes) -> tuple[float, float | None]:
    """The value in house units, and the sensor's own time [s] where it sends one."""
    text = text_of(payload, limit_bytes=SIZE_LIMIT_BYTES)
    wants_json = sensor.value_pointer is not None or sensor.time_pointer is not None
    document = document_of(text) if wants_json else None
    found = text if sensor.value_pointer is None else found_at(document, sensor.value_pointer)
    value = _switch(found) if sensor.role is Role.RELAY_STATE else _measured(sensor, found)
    if sensor.time_pointer is None:
        return value, None
    return value, time_of(found_at(document, sensor.time_pointer))


def _measured(sensor: Sensor, found: object) -> float:
    value = to_house(number_of(found), sensor.unit, pulses_per_kwh=sensor.pulses_per_kwh)
    if not math.isfinite(value):
        raise Refused(Rejection.NOT_FINITE)
    return value


def _switch(found: object) -> float:
    """1.0 for on, 0.0 for off."""
    if isinstance(found, bool):
        return float(found)
    if isinstance(found, str) and found.strip().lower() in _SWITCH:
        return _SWITCH[found.strip().lower()]
    if isinstance(found, float) and found in (0.0, 1.0):
        return found
    raise Refused(Rejection.NOT_A_NUMBER)


def _check_not_ahead(own_time_s: float | None, at: Instant) -> None:
    if own_time_s is not None and own_time_s > at.utc_s + AHEAD_S:
        raise Refused(Rejection.FROM_THE_FUTURE)
