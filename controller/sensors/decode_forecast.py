"""Payload bytes to a forecast, or to the reason why there is none. Pure: no I/O, no clock.

A forecast is believed whole or not at all: with one absurd value in it, the others are as likely
to be read from the wrong place or in the wrong unit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from controller.plausibility import plausible
from controller.records.forecast import Forecast, ForecastPoint
from controller.records.readings import Rejection
from controller.records.site import FORECAST, ForecastFeed, ForecastValue, Role
from controller.sensors.decode import Message, Rejected
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

FORECAST_LIMIT_BYTES = 256 * 1024
"""Largest payload that is looked at: a thousand points with generous names."""
POINTS_MAX = 1000
"""Most points of a forecast: sixteen days by the hour are 384, three by the quarter hour 288."""
PAST_S = 86_400.0
"""Points older than this are left out: many forecasts begin at midnight or the day before [s]."""
AHEAD_S = 16 * 86_400.0
"""Points further ahead than this are left out: no plan looks so far [s]."""

_FIELDS: Mapping[Role, str] = MappingProxyType(
    {
        Role.OUTDOOR: "outdoor_c",
        Role.IRRADIANCE: "irradiance_w_m2",
        Role.WIND: "wind_m_s",
        Role.PRICE: "price_per_kwh",
        Role.SOLAR_SURPLUS: "surplus_w",
    }
)

_Column = list[float | None]


def decode_forecast(feed: ForecastFeed, message: Message) -> Forecast | Rejected:
    """Turn one message into a forecast in house units, or say why it gives none.

    Parameters
    ----------
    feed : ForecastFeed
        As the site file describes it.
    message : Message
        Retained ones serve as well as others, for every point carries its own time.

    Returns
    -------
    Forecast
        Its points by time, from a day before to 16 days after the time of receipt.
    Rejected
        Under the id ``forecast``.
    """
    try:
        times_s, columns = _contents(feed, message.payload)
        points = _points(times_s, columns, received_s=message.at.utc_s)
    except Refused as refused:
        return Rejected(FORECAST, refused.reason, message.at, printable(message.payload))
    return Forecast(message.at.utc_s, points)


def _contents(feed: ForecastFeed, payload: bytes) -> tuple[list[float], dict[Role, _Column]]:
    """The times (UTC seconds) and, by role, a value or None for each of them."""
    document = document_of(text_of(payload, limit_bytes=FORECAST_LIMIT_BYTES))
    if feed.entries_pointer is None:
        times = _listed(found_at(document, feed.time_pointer))
        found = {value: _listed(found_at(document, value.pointer)) for value in feed.values}
    else:
        entries = _listed(found_at(document, feed.entries_pointer))
        times = [found_at(entry, feed.time_pointer) for entry in entries]
        found = {value: _from_entries(entries, value.pointer) for value in feed.values}
    if any(len(items) != len(times) for items in found.values()):
        raise Refused(Rejection.UNEQUAL_LISTS)
    columns = {value.role: [_value(value, item) for item in found[value]] for value in feed.values}
    return [time_of(moment) for moment in times], columns


def _listed(found: object) -> list[object]:
    if not isinstance(found, list):
        raise Refused(Rejection.NOT_A_LIST)
    if len(found) > POINTS_MAX:
        raise Refused(Rejection.TOO_MANY_POINTS)
    return found


def _from_entries(entries: list[object], pointer: str) -> list[object]:
    """What each entry holds, None where it holds nothing there: prices end before the weather.

    Refused where not a single entry has it: then the pointer is wrong.
    """
    found: list[object] = []
    missing = 0
    for entry in entries:
        try:
            found.append(found_at(entry, pointer))
        except Refused:
            found.append(None)
            missing += 1
    if entries and missing == len(entries):
        raise Refused(Rejection.POINTER_FINDS_NOTHING)
    return found


def _value(value: ForecastValue, item: object) -> float | None:
    """A number in house units; None for JSON's null, with which a forecast says nothing."""
    if item is None:
        return None
    number = to_house(number_of(item), value.unit)
    if not math.isfinite(number):
        raise Refused(Rejection.NOT_FINITE)
    # the rating bounds power alone, and power is never forecast
    bounds = plausible(value.role, rating_w=0.0)
    if not bounds.holds(number):
        raise Refused(Rejection.IMPLAUSIBLE_VALUE)
    return number


def _points(
    times_s: Sequence[float], columns: Mapping[Role, _Column], *, received_s: float
) -> tuple[ForecastPoint, ...]:
    """The points by time; a repeated point counts once."""
    by_time: dict[float, ForecastPoint] = {}
    for index, at_s in enumerate(times_s):
        values = {_FIELDS[role]: column[index] for role, column in columns.items()}
        says_something = any(value is not None for value in values.values())
        if says_something and received_s - PAST_S <= at_s <= received_s + AHEAD_S:
            point = ForecastPoint(at_s, **values)
            if by_time.setdefault(at_s, point) != point:
                raise Refused(Rejection.TWO_FOR_ONE_TIME)
    if min(times_s, default=received_s) > received_s + AHEAD_S:
        raise Refused(Rejection.FROM_THE_FUTURE)
    if max(by_time, default=received_s) <= received_s:
        raise Refused(Rejection.IN_THE_PAST)
    return tuple(by_time[at_s] for at_s in sorted(by_time))
