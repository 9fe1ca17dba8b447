"""Stated and measured are paired as the table's heading says, and a promise broken is told."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.long.fault_table import DEVELOPERS, Row, pair, read_rows, rendered

TEXT = """# About

| fault | a | b | 5 | c | not this table |

## Faults and what follows

| fault | how | what | off after, s | recorded | test |
| --- | --- | --- | --- | --- | --- |
| broker killed | x | y | 120 / 118 | z | `broker` |
| broker killed, no leases | x | y | 180 / 180 | z | `sessions` |
| door left open | x | y | - | z | 012 |
| probe failed hot | x | y | 70; 610 | z | 030 |

## Long runs

| broker frozen | x | y | 1 | z | `no` |
"""
FAULTS = Path(__file__).parents[1] / "faults"


def test_rows_are_those_under_the_heading() -> None:
    """Neither heads nor what stands in other sections."""
    rows = read_rows(TEXT)
    assert [row.fault for row in rows] == [
        "broker killed",
        "broker killed, no leases",
        "door left open",
        "probe failed hot",
    ]
    assert [row.at_most_s for row in rows] == [120.0, 180.0, None, 610.0]


def test_the_longest_name_takes_a_figure_and_the_worst_counts() -> None:
    """What begins like two rows belongs to the longer one."""
    figures = [
        ("broker killed", 100.0),
        ("broker killed, at night", 121.0),
        ("broker killed, no leases", 180.0),
    ]
    found = pair(read_rows(TEXT), figures)
    worst = [(one.worst_s, one.times) for one in found]
    assert worst == [(121.0, 2), (180.0, 1), (None, 0), (None, 0)]
    assert [one.exceeds for one in found] == [True, False, False, False]
    assert "| broker killed | 120 / 118 | 121.00 ! | 2 | `broker` |" in rendered(found)


def test_a_figure_without_a_row_is_told() -> None:
    """A test that measures what the table does not hold must not pass unseen."""
    with pytest.raises(ValueError, match="'broker frozen' was measured"):
        pair([Row("broker killed", "120", "`broker`")], [("broker frozen", 1.0)])


def test_what_the_fault_tests_note_has_its_row() -> None:
    """Each name given to ``noted`` begins like a row."""
    names = [row.fault for row in read_rows(DEVELOPERS.read_text(encoding="utf-8"))]
    texts = [path.read_text(encoding="utf-8") for path in sorted(FAULTS.glob("test_*.py"))]
    pattern = r'(?:noted\(\s*|\bfault = )f?"([^"{]*)'
    noted = [name for text in texts for name in re.findall(pattern, text)]
    assert len(noted) >= 12
    assert [name for name in noted if not name.startswith(tuple(names))] == []
