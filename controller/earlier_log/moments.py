"""Times as loggers write them: seconds since 1970, ISO 8601 with an offset, or wall time."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

from controller.configuration.problems import shown
from controller.earlier_log.problems import Unreadable

RIGHT = (
    "ISO 8601, as 2026-01-31 18:30 (wall time) or 2026-01-31T17:30Z, or seconds since 1970 "
    "such as 1769880600"
)

_EARLIEST_S = 946_684_800.0
"""The year 2000: earlier times are a logger's clock that was never set."""
_SECONDS = re.compile(r"\d{9,11}(?:\.\d+)?")
_MILLISECONDS = re.compile(r"\d{12,14}")


class Moments:
    """Reads the times of one log, row by row.

    A wall time that occurs twice is the first unless the row before was already there: so a
    logger that writes both hours of the autumn night is understood. ``taken_as_first`` gives
    those nights of which the log holds the hour only once.

    Parameters
    ----------
    time_zone : str
        IANA name of the zone in which times without an offset are meant.
    latest_s : float
        Later times are refused [UTC s].
    """

    def __init__(self, time_zone: str, *, latest_s: float) -> None:
        self._zone: tzinfo = UTC if time_zone == "UTC" else ZoneInfo(time_zone)
        self._time_zone = time_zone
        self._latest_s = latest_s
        self._first: dict[str, str] = {}
        self._second: set[str] = set()

    def read(self, text: str, *, after_s: float) -> float:
        """The moment in a cell [UTC s].

        Parameters
        ----------
        text : str
        after_s : float
            That of the row before [UTC s].

        Raises
        ------
        Unreadable
            Where it is no time, lies in an hour that clocks skipped, before 2000 or in the
            future, or not after the row before.
        """
        at_s = self._moment(text, after_s)
        if at_s < _EARLIEST_S:
            raise Unreadable(f"{shown(text)} lies before the year 2000", RIGHT)
        if at_s > self._latest_s:
            raise Unreadable(
                f"{shown(text)} lies in the future",
                "a log holds what was; without an offset, times are wall time in "
                f"{self._time_zone}",
            )
        if at_s <= after_s:
            wrong = f"{shown(text)} is not later than the row before"
            raise Unreadable(wrong, "rows from the oldest to the newest, each time once")
        return at_s

    def taken_as_first(self) -> Iterator[str]:
        """Wall times that occurred twice but stand in the log once, one for each night."""
        for night, text in self._first.items():
            if night not in self._second:
                yield text

    def _moment(self, text: str, after_s: float) -> float:
        if _SECONDS.fullmatch(text):
            return float(text)
        try:
            written = datetime.fromisoformat(text)
        except ValueError:
            if _MILLISECONDS.fullmatch(text):
                raise Unreadable(f"{shown(text)} looks like milliseconds", RIGHT) from None
            raise Unreadable(f"{shown(text)} is no time", RIGHT) from None
        if written.tzinfo is not None:
            return written.timestamp()
        first_s, second_s = (
            written.replace(tzinfo=self._zone, fold=fold).timestamp() for fold in (0, 1)
        )
        if first_s == second_s:
            return first_s
        if first_s > second_s:
            raise Unreadable(
                f"{shown(text)} does not exist in {self._time_zone}: clocks skipped that hour",
                f"times with their offset, as {text}+01:00, where the logger's clock is not "
                "changed in summer",
            )
        return self._one_of_two(text, written, first_s, second_s, after_s)

    def _one_of_two(
        self, text: str, written: datetime, first_s: float, second_s: float, after_s: float
    ) -> float:
        night = written.date().isoformat()
        if after_s < first_s:
            self._first.setdefault(night, text)
            return first_s
        self._second.add(night)
        return second_s
