"""Reads the forecast section of the site file: a topic, and where in its payload things stand."""

from __future__ import annotations

from dataclasses import dataclass

from controller.configuration.fields import Fields
from controller.configuration.kinds import ENTRIES_POINTER, POINTER, TOPIC, unit_of
from controller.records.site import OUTDOOR_ROLES, ForecastFeed, ForecastValue, Role

_ROLES = tuple(role for role in Role if role in OUTDOOR_ROLES)


@dataclass(frozen=True, slots=True)
class ReadForecast:
    """The forecast's feed, and where the file describes it and the price in it."""

    feed: ForecastFeed
    fields: Fields
    price: Fields | None


def read_forecast(site: Fields) -> ReadForecast | None:
    """Read the section ``forecast`` where the site file has one."""
    fields = site.table_or_none("forecast")
    if fields is None:
        return None
    with fields:
        topic = fields.read("topic", TOPIC)
        entries_pointer = fields.read_or("entries_pointer", ENTRIES_POINTER, None)
        time_pointer = fields.read("time_pointer", POINTER)
        tables = {role: fields.table_or_none(role.value) for role in _ROLES}
    below = {role: table for role, table in tables.items() if table is not None}
    values = tuple(_value(role, table) for role, table in below.items())
    if not values and fields.readable:
        quantities = ", ".join(role.value for role in _ROLES)
        fields.blame(None, "the forecast holds no quantity", f"give at least one of {quantities}")
    _told_apart(values, below)
    feed = ForecastFeed(topic, time_pointer, values, entries_pointer)
    return ReadForecast(feed, fields, below.get(Role.PRICE))


def _value(role: Role, fields: Fields) -> ForecastValue:
    with fields:
        return ForecastValue(
            role=role,
            pointer=fields.read("value_pointer", POINTER),
            unit=fields.read("unit", unit_of(role)),
        )


def _told_apart(values: tuple[ForecastValue, ...], below: dict[Role, Fields]) -> None:
    seen: dict[str, Role] = {}
    for value in values:
        if value.pointer and value.pointer in seen:
            wrong = f"{seen[value.pointer].value} is read at {value.pointer} already"
            below[value.role].blame("value_pointer", wrong, "give each quantity its own place")
        seen.setdefault(value.pointer, value.role)
