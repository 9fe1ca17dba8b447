"""What the commands that look back have in common: the site, its store, and plain output."""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import re
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from controller.clock import SystemClock
from controller.codec import to_plain
from controller.configuration import Configuration, Use, load_all
from controller.last_good import load_or_last_good
from controller.local_time import LocalTime
from controller.session_names import booked_session, is_session_id
from controller.store import Reader, StoreFailed, StoreMissing, open_reader

Q = TypeVar("Q")

SILENT_S = 150.0
"""A running service leaves a row every minute, and a lease ends after two [s]."""

_ASCII = str.maketrans(
    {"°": "", "²": "2", "–": "-", "−": "-", "·": ".", "▄": "+", "█": "#", "×": "x", "±": "+/-"}
)
"""What stands for a sign where the terminal knows ASCII only."""


class BadArgumentError(Exception):
    """An argument that cannot be meant; the message says what would be right."""


def with_store(
    site: Path,
    understand: Callable[[Configuration], Q],
    answer: Callable[[Configuration, Reader, Q], int],
) -> int:
    """Answer a question from a site's store; give the exit code.

    ``understand`` makes the question of the arguments before the store is opened, so that an
    argument that cannot be meant is told as such where there is no store yet, too.
    """
    configuration = load_all(site)
    try:
        question = understand(configuration)
        with closing(open_reader(configuration.store)) as reader:
            return answer(configuration, reader, question)
    except BadArgumentError as error:
        return _refuse(str(error), 2)
    except StoreMissing:
        wrong = f"There is no record at {configuration.store}: the service has not run here yet."
        return _refuse(f"{wrong} Start it with: slabtide run --site {site}", 1)
    except StoreFailed as error:
        return _refuse(str(error), 1)


def usable_configuration(site: Path) -> Configuration:
    """The site's configuration; where its files hold a mistake, what the service goes on with.

    For what must not wait until a file is mended. The mistake is told on standard error.
    """
    configuration, broken = load_or_last_good(site, broker=Use.NONE)
    if broken is not None:
        print(broken.text, file=sys.stderr)
    return configuration


def present_s(site: Path) -> float:
    """The present [UTC s]: by the clock, or the last record's where that lies ahead of it.

    Records ahead of the clock are a demonstration's, or those of a clock that was set back. The
    last one is the one written last: others are of a clock that was ahead and has been put right.
    """
    now_s = SystemClock().now().utc_s
    store = load_all(site).store
    try:
        with closing(open_reader(store)) as reader:
            last = reader.latest_decision()
    except StoreFailed:
        return now_s
    if last is not None and now_s < last.at.utc_s < now_s + _CENTURY_S:
        return last.at.utc_s
    return now_s


_CENTURY_S = 100 * 365.25 * 86400.0
"""A row further ahead is a damaged one."""


def _refuse(message: str, code: int) -> int:
    print(message, file=sys.stderr)
    return code


def say(line: str = "") -> None:
    """Print a line, with plainer signs where the terminal cannot show all of them."""
    # there is no standard output at all where it was closed
    encoding = getattr(sys.stdout, "encoding", None) or "ascii"
    try:
        line.encode(encoding)
    except UnicodeEncodeError:
        line = line.translate(_ASCII).encode(encoding, errors="replace").decode(encoding)
    print(line)


def say_json(value: object) -> None:
    """Print one line of JSON; numbers that JSON does not know (no time, never) become null."""
    print(json.dumps(_finite(to_plain(value)), ensure_ascii=True, allow_nan=False))


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    return [_finite(item) for item in value] if isinstance(value, list) else value


def read_when(text: str, configuration: Configuration, *, now_s: float) -> float:
    """A moment that the owner wrote, or the start of the session that was named [UTC s]."""
    time_zone = configuration.site.time_zone
    try:
        if is_session_id(text):
            return booked_session(text, configuration.bookings, time_zone).start_s
        return LocalTime(time_zone).parse(text, now_s=now_s)
    except ValueError as error:
        raise BadArgumentError(str(error)) from error


def check_id(wanted: str | None, known: tuple[str, ...], *, kind: str) -> None:
    """Refuse an id that the site file does not have."""
    if wanted is not None and wanted not in known:
        raise BadArgumentError(f"there is no {kind} {wanted!r}; right: {', '.join(known)}")


def allow_times_ago(parser: argparse.ArgumentParser) -> None:
    """Let ``-3h`` be a value; argparse would take it for an option.

    From Python 3.14 on argparse itself takes whatever begins with minus and digit for a value.
    """
    parser._negative_number_matcher = re.compile(r"-\d")


def whole_number(highest: int) -> Callable[[str], int]:
    """A type for argparse: a whole number from 1 to ``highest``."""

    def read(text: str) -> int:
        if text.isascii() and text.isdigit() and 1 <= int(text[:9]) <= highest:
            return int(text)
        raise argparse.ArgumentTypeError(f"{text!r}; right: a whole number from 1 to {highest}")

    return read


def number(lowest: float, highest: float, unit: str) -> Callable[[str], float]:
    """A type for argparse: a number of some unit within a span, its ends included."""

    def read(text: str) -> float:
        with contextlib.suppress(ValueError):
            if lowest <= float(text) <= highest:
                return float(text)
        raise argparse.ArgumentTypeError(f"{text!r}; right: {lowest:g} to {highest:g} {unit}")

    return read


def day(text: str) -> date:
    """A type for argparse: a date of the calendar."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r}; right: a date, as 2027-01-04") from error


at_least_one = whole_number(366)
"""A number of days, for argparse: from one day to a year."""
