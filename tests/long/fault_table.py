"""The table of faults in DEVELOPERS.md, and what a run measured beside it.

A measurement belongs to the row whose first cell its own name begins with; where several do, to
the longest. A row's fourth cell says how soon the heater is off at most [s]: for several ways
parted by ";", and in the second table "at most / as measured".
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

DEVELOPERS = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
HEADING, COLUMNS = "## Faults and what follows", 6


@dataclass(frozen=True, slots=True)
class Row:
    """One fault: its name, the cell that says when the heater is off, and its test."""

    fault: str
    off_after: str
    test: str

    @property
    def at_most_s(self) -> float | None:
        """The longest time until OFF that it states [s]; None where it states none."""
        ways = self.off_after.partition("/")[0].split(";")
        numbers = [float(n) for way in ways for n in re.findall(r"^\s*([\d.]+)", way)]
        return max(numbers, default=None)


@dataclass(frozen=True, slots=True)
class Measured:
    """A row with the worst that was measured of it [s], and how often it was; None for never."""

    row: Row
    worst_s: float | None
    times: int

    @property
    def exceeds(self) -> bool:
        """Whether the row promises more than was measured."""
        at_most_s = self.row.at_most_s
        return self.worst_s is not None and at_most_s is not None and self.worst_s > at_most_s


def read_rows(text: str) -> list[Row]:
    """The rows of both tables under the heading, in their order."""
    _, _, below = text.partition(HEADING)
    section = below.partition("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("| ")]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    found = [Row(c[0], c[3], c[5]) for c in cells if len(c) == COLUMNS]
    return [row for row in found if row.fault not in ("fault", "---")]


def pair(rows: Sequence[Row], figures: Iterable[tuple[str, float]]) -> list[Measured]:
    """Each row with the worst of its figures.

    Parameters
    ----------
    rows : sequence of Row
    figures : iterable of (fault, off_s)
        As the tests note them [s].

    Raises
    ------
    ValueError
        Where a figure belongs to no row.
    """
    by_row: Mapping[str, list[float]] = {row.fault: [] for row in rows}
    for fault, off_s in figures:
        names = [name for name in by_row if fault.startswith(name)]
        if not names:
            raise ValueError(f"{fault!r} was measured, and no row in the table begins like that")
        by_row[max(names, key=len)].append(off_s)
    return [
        Measured(row, max(by_row[row.fault], default=None), len(by_row[row.fault])) for row in rows
    ]


def rendered(found: Iterable[Measured]) -> str:
    """A table of what was stated and what was measured."""
    lines = [
        "| fault | stated, s | worst measured, s | times | test |",
        "| --- | --- | ---: | ---: | --- |",
    ]
    for one in found:
        worst = "-" if one.worst_s is None else f"{one.worst_s:.2f}{' !' * one.exceeds}"
        row = one.row
        lines.append(f"| {row.fault} | {row.off_after} | {worst} | {one.times} | {row.test} |")
    return "\n".join(lines)
