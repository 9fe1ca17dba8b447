"""What a JSON or text payload holds: the reading of numbers and times that all decoding shares."""

from __future__ import annotations

import json
import math
import re
from datetime import datetime

from controller.records.readings import Rejection
from controller.sensors.json_pointer import NothingThere, resolve

_EXAMPLE_CHARACTERS = 80
_MILLISECONDS_FROM = 1e11
"""As seconds this is the year 5138, as milliseconds 1973: no sensor means either by the other."""

# narrower than float(), which takes "1_000", "infinity" and the digits of every script; no two
# parts can share one digit, so that it never takes longer than its text is long
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_NOT_FINITE = frozenset({"nan", "inf", "infinity"})


class Refused(Exception):
    """Ends the decoding of one payload."""

    def __init__(self, reason: Rejection) -> None:
        super().__init__(reason)
        self.reason = reason


def printable(payload: bytes) -> str:
    """The beginning of a payload as one short line of printable text."""
    beginning = payload[: 4 * _EXAMPLE_CHARACTERS].decode("utf-8", errors="replace")
    line = "".join(char if char.isprintable() else "�" for char in beginning)
    if len(line) <= _EXAMPLE_CHARACTERS:
        return line
    return line[: _EXAMPLE_CHARACTERS - 1] + "…"


def text_of(payload: bytes, *, limit_bytes: int) -> str:
    """The text of a payload; Refused where it is too long or no UTF-8."""
    if len(payload) > limit_bytes:
        raise Refused(Rejection.TOO_LARGE)
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Refused(Rejection.NOT_TEXT) from error


def document_of(text: str) -> object:
    """The JSON document in a text, all its numbers as floats; Refused where there is none."""
    try:
        # whole numbers as floats too: int() refuses thousands of digits with an error of its own
        document: object = json.loads(text, parse_int=float)
    except (ValueError, RecursionError) as error:
        raise Refused(Rejection.NOT_JSON) from error
    return document


def found_at(document: object, pointer: str) -> object:
    """What a JSON Pointer names; Refused where that is nothing."""
    try:
        return resolve(document, pointer)
    except NothingThere as error:
        raise Refused(Rejection.POINTER_FINDS_NOTHING) from error


def number_of(found: object) -> float:
    """A JSON number, or a text that is one: many sensors send their numbers in quotes.

    Refused for anything else. A JSON number may still be infinite or NaN.
    """
    if isinstance(found, str):
        text = found.strip()
        if _NUMBER.fullmatch(text):
            return float(text)
        if text.lstrip("+-").lower() in _NOT_FINITE:
            raise Refused(Rejection.NOT_FINITE)
    if isinstance(found, float):
        return found
    raise Refused(Rejection.NOT_A_NUMBER)


def time_of(found: object) -> float:
    """Seconds since 1970-01-01 UTC from seconds, milliseconds or ISO 8601 with its offset."""
    if isinstance(found, float) and math.isfinite(found) and found >= 0.0:
        return found / 1000.0 if found >= _MILLISECONDS_FROM else found
    if isinstance(found, str):
        return _iso_time_s(found.strip())
    raise Refused(Rejection.BAD_TIME)


def _iso_time_s(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
        time_s = moment.timestamp()
    except (ValueError, OverflowError) as error:
        raise Refused(Rejection.BAD_TIME) from error
    # without its offset a local time is two moments in autumn and none in spring
    if moment.tzinfo is None or time_s < 0.0:
        raise Refused(Rejection.BAD_TIME)
    return time_s
