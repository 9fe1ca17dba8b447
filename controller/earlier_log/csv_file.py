"""Reads an owner's log from a CSV file, naming every problem at its line and column."""

from __future__ import annotations

import csv
import math
import re
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import TextIO

from controller.configuration.problems import Problem, shown
from controller.earlier_log.columns import Column, Header, read_header
from controller.earlier_log.moments import Moments
from controller.earlier_log.outliers import without_outliers
from controller.earlier_log.problems import MOST, LogError, Unreadable
from controller.local_time import duration
from controller.plausibility import POWER_HIGH
from controller.records.site import Role, Site
from controller.units import to_house

LONGEST_STEP_S = 3600.0
"""Rows that are usually further apart say too little of how a room follows its heater [s]."""
LONGEST_LINE = 65_536
"""Characters; a longer line is no row of a log."""

LEAST_SHARE = 0.05
"""Share of the heater's rating that its power exceeds at times; else its unit is another [-]."""

_STEP_SLACK = 1.02
_ROWS_BETWEEN_REPORTS = 4096
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_UNKNOWN = frozenset({"", "-", "nan", "na", "n/a", "null", "none"})

Report = Callable[[float], None]
"""Told now and then which share of the work is done [0..1]."""


@dataclass(frozen=True, slots=True)
class Trace:
    """One column's known values: times [UTC s], values [house unit], their usual distance [s].

    ``outliers`` values more stood out so far from those around them that they were left out.
    """

    column: Column
    times_s: array[float]
    values: array[float]
    usual_step_s: float
    outliers: int = 0


@dataclass(frozen=True, slots=True)
class EarlierLog:
    """What a log holds.

    Attributes
    ----------
    traces : tuple of Trace
        At least one, each of at least two values.
    unused : tuple of str
        Headings of columns that nothing is learnt from.
    empty : tuple of str
        Headings of columns without two values.
    taken_as_first : tuple of str
        Wall times that occurred twice and stand in the log once, taken as the first.
    """

    traces: tuple[Trace, ...]
    unused: tuple[str, ...]
    empty: tuple[str, ...]
    taken_as_first: tuple[str, ...]


def read_log(
    path: Path, site: Site, *, now_s: float, report: Report = lambda _: None
) -> EarlierLog:
    """Read a log.

    Parameters
    ----------
    path : Path
    site : Site
        Gives the names of zones, heaters and sensors, and the zone of times without an offset.
    now_s : float
        Rows later than this are refused [UTC s].
    report : callable, optional

    Raises
    ------
    LogError
        With the problems found, where there is any.
    """
    findings = _Findings(str(path))
    try:
        _require_file(path)
        with path.open(encoding="utf-8-sig", newline=None) as file:
            return _Reader(site, now_s, findings).read(file, max(1, path.stat().st_size), report)
    except OSError as error:
        findings.note(1, 1, Unreadable(f"cannot be read: {error.strerror}", "a CSV file"))
    except Unreadable as fault:
        findings.note(1, 1, fault)
    except UnicodeDecodeError:
        wrong = Unreadable("this line is not UTF-8 text", "the file saved as CSV UTF-8")
        findings.note(_undecodable_line(path), 1, wrong, last=True)
    except _Enough:
        pass
    raise LogError(findings.problems)


def _require_file(path: Path) -> None:
    """Refuse what could keep its reader waiting for ever, or can be read only once."""
    if path.exists() and not path.is_file() and not path.is_dir():
        raise Unreadable("is a pipe or a device, no file", "a CSV file")


class _Enough(Exception):
    """There are so many problems that reading on tells nothing new."""


class _Findings:
    """The problems found so far, and the line being read."""

    def __init__(self, file: str) -> None:
        self.problems: list[Problem] = []
        self.line = 0
        self._file = file

    def note(self, line: int, column: int, error: Unreadable, *, last: bool = False) -> None:
        self.problems.append(Problem(self._file, line, column, error.wrong, error.right))
        if len(self.problems) >= MOST and not last:
            raise _Enough


class _Reader:
    """Takes one log apart, line by line."""

    def __init__(self, site: Site, now_s: float, findings: _Findings) -> None:
        self._site, self._now_s, self._findings = site, now_s, findings
        self._text = ""
        self._delimiter = ","

    def read(self, file: TextIO, size: int, report: Report) -> EarlierLog:
        rows = self._rows(file, size, report)
        header = self._header(rows)
        if header is None:
            raise _Enough
        moments = Moments(header.time_zone, latest_s=self._now_s)
        columns = [(c, array("d"), array("d")) for c in header.columns]
        after_s = -math.inf
        for cells in rows:
            at_s = self._time(cells, header, moments, after_s)
            after_s = after_s if at_s is None else at_s
            for column, times_s, values in columns:
                value = self._value(cells, column)
                if value is not None and at_s is not None:
                    times_s.append(at_s)
                    values.append(value)
        return self._log(header, columns, tuple(moments.taken_as_first()))

    def _rows(self, file: TextIO, size: int, report: Report) -> Iterator[list[str]]:
        """The cells of each line that has any; those of a wrong number of cells are noted."""
        width, passed = 0, 0
        while line := file.readline(LONGEST_LINE):
            self._findings.line += 1
            passed += len(line)
            if self._findings.line % _ROWS_BETWEEN_REPORTS == 0:
                report(min(1.0, passed / size))
            self._text = line.rstrip("\n")
            if not self._text.strip():
                continue
            if width == 0:
                self._delimiter = ";" if ";" in self._text else ","
            cells = self._cells(complete=line.endswith("\n") or len(line) < LONGEST_LINE)
            if cells is None:
                continue
            width = width or len(cells)
            if len(cells) != width:
                wrong = f"the row has {len(cells)} cells, the header {width}"
                self._blame(min(width, len(cells) - 1), Unreadable(wrong, self._one_each()))
                continue
            yield cells

    def _cells(self, *, complete: bool) -> list[str] | None:
        if not complete:
            wrong = f"the line is longer than {LONGEST_LINE} characters"
            self._findings.note(self._findings.line, 1, Unreadable(wrong, "a CSV file"), last=True)
            raise _Enough
        if '"' not in self._text:
            return self._text.split(self._delimiter)
        try:
            return next(csv.reader([self._text], delimiter=self._delimiter, strict=True))
        except csv.Error as error:
            self._blame(0, Unreadable(f"quotes do not match: {error}", 'a pair of " for a cell'))
            return None

    def _one_each(self) -> str:
        sign = "semicolons" if self._delimiter == ";" else "commas"
        return (
            f"one cell for each heading, separated by {sign}; numbers with a decimal comma need "
            "semicolons"
        )

    def _header(self, rows: Iterator[list[str]]) -> Header | None:
        cells = next(rows, None)
        if cells is None:
            self._findings.note(1, 1, Unreadable("the file is empty", "a header line, then rows"))
            return None
        return read_header(cells, self._site, self._blame)

    def _time(
        self, cells: list[str], header: Header, moments: Moments, after_s: float
    ) -> float | None:
        text = self._plain(cells[header.time].strip())
        try:
            return moments.read(text, after_s=after_s)
        except Unreadable as error:
            self._blame(header.time, error)
            return None

    def _plain(self, text: str) -> str:
        """The text with a decimal point where decimal commas are possible."""
        return text.replace(",", ".") if self._delimiter == ";" else text

    def _value(self, cells: list[str], column: Column) -> float | None:
        text = cells[column.position].strip()
        plain = self._plain(text)
        if _NUMBER.fullmatch(plain) is None:
            if text.lower() not in _UNKNOWN:
                wrong = f"{shown(text)} under {column.heading} is no number"
                self._blame(column.position, Unreadable(wrong, self._a_number()))
            return None
        value = to_house(float(plain), column.unit)
        if column.span.holds(value):
            return value
        low, high, unit = column.span.low, column.span.high, column.house_unit
        right = f"{low:g} to {high:g} {unit}, or an empty cell where the sensor failed"
        wrong = f"{shown(text)} under {column.heading} is {value:.5g} {unit}, which cannot be"
        self._blame(column.position, Unreadable(wrong, right))
        return None

    def _a_number(self) -> str:
        form = "12,5 or 12.5" if self._delimiter == ";" else "12.5"
        return f"{form}, or an empty cell where nothing is known"

    def _blame(self, index: int, error: Unreadable) -> None:
        column = column_of(self._text, index, self._delimiter)
        self._findings.note(self._findings.line, column, error)

    def _log(
        self,
        header: Header,
        columns: list[tuple[Column, array[float], array[float]]],
        taken_as_first: tuple[str, ...],
    ) -> EarlierLog:
        made = [_trace(*column) for column in columns if len(column[1]) > 1]
        traces = tuple(trace for trace in made if len(trace.times_s) > 1)
        for trace in traces:
            for fault in _faults(trace):
                self._findings.note(1, 1, fault)
        if not traces and not self._findings.problems:
            wrong = Unreadable("no column has two values or more", "rows of times and values")
            self._findings.note(1, 1, wrong)
        if self._findings.problems:
            raise _Enough
        kept = {trace.column.heading for trace in traces}
        empty = tuple(c.heading for c, _, _ in columns if c.heading not in kept)
        return EarlierLog(traces, header.unused, empty, taken_as_first)


def _undecodable_line(path: Path) -> int:
    """The first line that is no UTF-8: text is decoded in blocks, so the reader is ahead of it."""
    with path.open("rb") as file:
        for number, line in enumerate(file, 1):
            if line.decode(errors="replace").encode() != line:
                return number
    return 1


def column_of(line: str, index: int, delimiter: str) -> int:
    """Where the cell of an index begins in a line, counted from 1; quoted delimiters do not count.

    A line of fewer cells gives its end.
    """
    quoted = False
    for place, sign in enumerate(line):
        if index == 0:
            return place + 1
        quoted ^= sign == '"'
        index -= sign == delimiter and not quoted
    return len(line) + 1


def _trace(column: Column, times_s: array[float], values: array[float]) -> Trace:
    kept_s, kept = without_outliers(column.role, times_s, values)
    return Trace(column, kept_s, kept, _usual_step_s(times_s), len(times_s) - len(kept_s))


def _faults(trace: Trace) -> Iterator[Unreadable]:
    """What is wrong with a column as a whole."""
    heading = trace.column.heading
    if trace.usual_step_s > LONGEST_STEP_S * _STEP_SLACK:
        step = duration(trace.usual_step_s)
        yield Unreadable(f"values under {heading} are usually {step} apart", "1 h or less")
    if trace.column.role is Role.POWER:
        most_w = max(trace.values)
        rating_w = trace.column.span.high / POWER_HIGH
        if 0.0 < most_w < LEAST_SHARE * rating_w:
            wrong = (
                f"no power under {heading} exceeds {most_w:.3g} W, the heater has {rating_w:g} W"
            )
            yield Unreadable(wrong, "power [kW], or no such column where the heater never ran")


def _usual_step_s(times_s: array[float]) -> float:
    return median(later - sooner for sooner, later in pairwise(times_s))
