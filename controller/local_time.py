"""Moments as the owner writes and reads them: the site's wall time. Everything else is UTC.

Display lives here and nowhere else; a wall time that occurs twice (clocks going back) is shown
with the name of its offset.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from controller.calendar import to_local, to_utc_s

WHEN_HELP = "now, 03:15, yesterday 03:00, 2026-11-28, '2026-11-28 09:00', -3h, or ISO 8601"
"""The forms that ``LocalTime.parse`` takes, for messages and --help."""

_AGO = re.compile(r"-(\d+(?:\.\d+)?)(s|min|m|h|d|w)")
_AGO_UNITS_S = {"s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86_400.0, "w": 604_800.0}
_DAY_WORD = re.compile(r"(?:(today|yesterday)\s*)?(\d{1,2}:\d{2}(?::\d{2})?)?")
_LATEST_S = 32_503_680_000.0
"""The year 3000: what lies beyond, or before 1970, is a slip of the keyboard."""


@dataclass(frozen=True, slots=True)
class LocalTime:
    """Prints and reads moments in one time zone (IANA name)."""

    time_zone: str

    def at(self, utc_s: float) -> datetime:
        """The local time of a moment, aware of its zone."""
        return to_local(utc_s, self.time_zone)

    def clock(self, utc_s: float) -> str:
        """``09:00``."""
        return self._text(utc_s, "%H:%M")

    def day(self, utc_s: float) -> str:
        """``Sat 28 Nov``."""
        return f"{self.at(utc_s):%a %d %b}"

    def moment(self, utc_s: float) -> str:
        """``Sat 28 Nov 09:00``."""
        return self._text(utc_s, "%a %d %b %H:%M")

    def date(self, utc_s: float) -> str:
        """``2026-11-28``."""
        return f"{self.at(utc_s):%Y-%m-%d}"

    def stamp(self, utc_s: float) -> str:
        """``2026-11-28 09:00:05``."""
        return self._text(utc_s, "%Y-%m-%d %H:%M:%S")

    def _text(self, utc_s: float, form: str) -> str:
        local = self.at(utc_s)
        twice = local.utcoffset() != local.replace(fold=1 - local.fold).utcoffset()
        return local.strftime(form) + (f" {local:%Z}" if twice else "")

    def parse(self, text: str, *, now_s: float) -> float:
        """Read one of the forms in ``WHEN_HELP``.

        Parameters
        ----------
        text : str
        now_s : float
            What "now", "yesterday" and a bare time of day are counted from [UTC s].

        Returns
        -------
        float
            UTC seconds [s]. A local time that clocks skip moves forward, one that occurs twice
            means the first.

        Raises
        ------
        ValueError
            With what would be right.
        """
        readers: tuple[Callable[[str, float], float | None], ...] = (
            self._relative,
            self._day_word,
            self._iso,
        )
        for read in readers:
            found = read(text.strip(), now_s)
            if found is not None and 0.0 <= found < _LATEST_S:
                return found
        raise ValueError(f"{text!r} is no time; right would be: {WHEN_HELP}")

    def _relative(self, text: str, now_s: float) -> float | None:
        if text == "now":
            return now_s
        found = _AGO.fullmatch(text)
        if found is None:
            return None
        return now_s - float(found[1]) * _AGO_UNITS_S[found[2]]

    def _day_word(self, text: str, now_s: float) -> float | None:
        found = _DAY_WORD.fullmatch(text)
        if found is None or text == "":
            return None
        back = timedelta(days=1 if found[1] == "yesterday" else 0)
        try:
            clock = time.fromisoformat((found[2] or "00:00").zfill(5))
        except ValueError:
            return None
        day = self.at(now_s).date() - back
        return to_utc_s(datetime.combine(day, clock), self.time_zone)

    def _iso(self, text: str, now_s: float) -> float | None:
        try:
            written = datetime.fromisoformat(text)
            if written.tzinfo is not None:
                return written.timestamp()
            return to_utc_s(written, self.time_zone)
        except (ValueError, OverflowError, OSError):
            return None


def utc_text(utc_s: float) -> str:
    """``2026-11-28T08:00:05.000Z``, for machines."""
    return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"


def duration(seconds: float) -> str:
    """``45 s``, ``12 min``, ``4 h 20 min``, ``3 days 4 h``: two units at most, rounded."""
    if not math.isfinite(seconds):
        return "without end" if seconds > 0 else "unknown"
    if seconds < 0:
        return f"-{duration(-seconds)}"
    if round(seconds) < 60:
        return f"{round(seconds)} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return _pair(minutes // 60, "h", minutes % 60, "min")
    hours = round(seconds / 3600)
    return _pair(hours // 24, "days", hours % 24, "h")


def _pair(large: int, large_unit: str, small: int, small_unit: str) -> str:
    return f"{large} {large_unit}" + (f" {small} {small_unit}" if small else "")
