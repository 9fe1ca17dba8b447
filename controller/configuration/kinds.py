"""What a single value may be: how its text is read, and how that is said to the owner."""

from __future__ import annotations

import ipaddress
import math
import re
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date, time
from enum import Enum
from typing import Generic, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from controller.configuration.problems import choices, nearest
from controller.records.site import Role
from controller.units import fitting_unit, units_in_words

T = TypeVar("T", covariant=True)
E = TypeVar("E", bound=Enum)

_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?", re.ASCII)
_IDENT = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_DATE = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})", re.ASCII)
_CREDENTIAL = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9_.-]{0,99}")
_POINTER = re.compile(r"(/([^~/]|~[01])*)+")
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_NOT_FINITE = frozenset({"nan", "inf", "infinity"})


class Unfit(ValueError):
    """A value is not what it must be. The message completes "it is 'so and so', ..."."""


@dataclass(frozen=True, slots=True)
class Kind(Generic[T]):
    """What one value must be.

    Attributes
    ----------
    expected : str
        What would be right, in words.
    parse : callable
        Text to value; raises Unfit.
    stand_in : T
        Stands where a value is missing or unfit, so that reading can go on. It never leaves the
        loader, and is chosen so that comparing it finds no second fault (NaN, empty, None).
    plain : bool
        Whether quotes turn the value into something else, as they do for numbers.
    """

    expected: str
    parse: Callable[[str], T]
    stand_in: T
    plain: bool = False


def number(lowest: float, highest: float) -> Kind[float]:
    """A finite number within a span, both ends included."""

    def parse(text: str) -> float:
        value = finite(text)
        if not lowest <= value <= highest:
            raise Unfit("out of its span")
        return value

    return Kind(f"a number from {lowest:g} to {highest:g}", parse, math.nan, plain=True)


def whole(lowest: int, highest: int) -> Kind[int]:
    """A whole number within a span, both ends included."""

    def parse(text: str) -> int:
        value = finite(text)
        if value != int(value) or not lowest <= value <= highest:
            raise Unfit("out of its span" if value == int(value) else "not whole")
        return int(value)

    return Kind(f"a whole number from {lowest} to {highest}", parse, lowest, plain=True)


def text(longest: int = 120) -> Kind[str]:
    """One line of text."""

    def parse(given: str) -> str:
        if not given.strip():
            raise Unfit("empty")
        if not given.isprintable():
            raise Unfit("more than one line, or holds control characters")
        if len(given) > longest:
            raise Unfit(f"{len(given)} characters long")
        return given

    return Kind(f"text of at most {longest} characters in one line", parse, "")


def word(known: Collection[str]) -> Kind[str]:
    """One of some known words."""

    def parse(given: str) -> str:
        if given not in known:
            raise Unfit(_not_known(given, known))
        return given

    return Kind(f"one of {choices(known)}", parse, "")


def member(kind: type[E]) -> Kind[E | None]:
    """One of an enumeration's values."""
    values = [str(one.value) for one in kind]

    def parse(given: str) -> E | None:
        if given not in values:
            raise Unfit(_not_known(given, values))
        return kind(given)

    return Kind(f"one of {', '.join(values)}", parse, None)


def unit_of(role: Role | None) -> Kind[str]:
    """A unit of a role, any text where the role is not known."""
    if role is None:
        return text()

    def parse(given: str) -> str:
        unit = fitting_unit(role, given)
        if unit is None:
            raise Unfit(f"no unit of the role {role.value}")
        return unit

    return Kind(units_in_words(role), parse, "")


def finite(given: str) -> float:
    """Read a finite decimal number, or raise Unfit."""
    if given.lstrip("+-.").lower() in _NOT_FINITE:
        raise Unfit("not a finite number")
    if re.fullmatch(r"[-+]?\d+,\d+", given):
        raise Unfit("a number with a comma where a point belongs")
    if not _NUMBER.fullmatch(given):
        raise Unfit("not a number")
    value = float(given)
    if not math.isfinite(value):
        raise Unfit("not a finite number")
    return value


def _flag(given: str) -> bool | None:
    if given not in ("true", "false"):
        raise Unfit("a text here, neither true nor false")
    return given == "true"


def _ident(given: str) -> str:
    if not _IDENT.fullmatch(given) or len(given) > 40:
        raise Unfit("no id")
    return given


def _day(given: str) -> date | None:
    match = _DATE.fullmatch(given)
    if not match:
        raise Unfit("not a date")
    try:
        day = date(*(int(part) for part in match.groups()))
    except ValueError as error:
        raise Unfit("no date of the calendar") from error
    if not 2000 <= day.year <= 2100:
        raise Unfit("too far away")
    return day


def _clock(given: str) -> time | None:
    match = _CLOCK.fullmatch(given)
    if given == "24:00":
        raise Unfit("no time of day (midnight is 00:00, on the next day with overnight: true)")
    if not match or int(match[1]) > 23 or int(match[2]) > 59:
        raise Unfit("not a time of day")
    return time(int(match[1]), int(match[2]))


def _topic(given: str) -> str:
    if "+" in given or "#" in given:
        raise Unfit("a topic with a wildcard")
    if not given or not given.isprintable() or given.startswith("$") or len(given) > 200:
        raise Unfit("no topic")
    return given


def _pointer(given: str) -> str:
    if not _POINTER.fullmatch(given) or len(given) > 200:
        raise Unfit("no JSON Pointer")
    return given


def _entries_pointer(given: str) -> str:
    return given and _pointer(given)


def _host(given: str) -> str:
    if not given or not given.isprintable() or set(given) & set(" /@#?") or len(given) > 253:
        raise Unfit("no host name")
    if ":" in given and not _is_ipv6(given):
        raise Unfit("no host name: a port stands under port")
    return given


def _is_ipv6(given: str) -> bool:
    try:
        ipaddress.IPv6Address(given)
    except ValueError:
        return False
    return True


def _folder(given: str) -> str:
    if not given.strip() or not given.isprintable() or given.startswith("~") or len(given) > 200:
        raise Unfit("no folder")
    return given


def _file(given: str) -> str:
    if not given.strip() or not given.isprintable() or given.startswith("~") or len(given) > 200:
        raise Unfit("no file's name")
    return given


def _credential(given: str) -> str:
    if not _CREDENTIAL.fullmatch(given):
        raise Unfit("no credential's name")
    return given


def _time_zone(given: str) -> str:
    try:
        ZoneInfo(given)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise Unfit(_not_known(given, available_timezones())) from error
    return given


def _not_known(given: str, known: Collection[str]) -> str:
    close = nearest(given, known, most=1000)  # there are some 600 time zones
    return f"unknown (nearest: {close})" if close else "unknown"


FLAG = Kind("true or false", _flag, None, plain=True)
IDENT = Kind("an id of lower-case letters, digits and single hyphens, at most 40", _ident, "")
DAY = Kind("a date such as 2026-01-31, from 2000 to 2100", _day, None)
WEEKDAY = word(WEEKDAYS)
CLOCK = Kind("a time such as 18:30, from 00:00 to 23:59", _clock, None)
TOPIC = Kind("one MQTT topic without + or #, not beginning with $", _topic, "")
POINTER = Kind("a JSON Pointer (RFC 6901) such as /value or /data/0", _pointer, "")
ENTRIES_POINTER = Kind(
    "a JSON Pointer (RFC 6901) such as /hours, or '' for the whole payload", _entries_pointer, ""
)
HOST = Kind("a host name or address, without a port", _host, "")
FOLDER = Kind("a folder, from / or relative to this file (~ is not expanded)", _folder, "")
FILE = Kind("a file, from / or relative to this file (~ is not expanded)", _file, "")
CREDENTIAL = Kind(
    "the name of a systemd credential: letters, digits, points, hyphens", _credential, ""
)
TIME_ZONE = Kind("a zone of the IANA time zone database, such as Europe/Berlin", _time_zone, "")
