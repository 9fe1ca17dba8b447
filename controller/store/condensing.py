"""Old rows made fewer, a little at a time: the store must last for years on a small disk.

Decisions are kept as they were written for ``FULL_DAYS``. Then rows that say the same as the one
before (command, lease, wish but for the plan's name, verdicts, outputs, notices: all but numbers)
are folded into it, at first one row a quarter of an hour, after ``COARSE_DAYS`` one a day; each
change stays. Readings are rolled into quarters of an hour after ``READINGS_DAYS``, three times what
learning looks back on. Imported logs are left: their owner may import the same file again.

One step is one transaction over a few hours of rows together with the mark of how far condensing
has come, so that a kill leaves it done or not done.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
FULL_DAYS = 60
COARSE_DAYS = 400
READINGS_DAYS = 180
SLOT_MS = 15 * 60_000
LONGEST_FOLD_MS = DAY_MS
CONTIGUOUS_MS = 150_000
"""A running service leaves a row every minute: with more between two rows nothing is known [ms]."""

_COMPARED = (
    "heat, lease_ms, zones, version, wanted, rung, reason, session, notices, "
    "deciding_rule, deciding_severity, deciding_reason, verdicts, outputs"
)


@dataclass(frozen=True, slots=True)
class Task:
    """One kind of condensing.

    ``first_ms`` finds the first row at or after a time, ``work`` condenses what lies between two.
    """

    name: str
    after_ms: int
    span_ms: int
    first_ms: Callable[[int], int | None]
    work: Callable[[int, int], None]


def condense(connection: sqlite3.Connection, now_ms: int) -> bool:
    """Do the next step, within the caller's transaction; whether there was one to do."""
    for task in _tasks(connection):
        start_ms = _next_span(connection, task, now_ms)
        if start_ms is not None:
            task.work(start_ms, start_ms + task.span_ms)
            connection.execute(
                "INSERT OR REPLACE INTO condensing VALUES (?, ?)",
                (task.name, start_ms + task.span_ms),
            )
            return True
    return False


def _next_span(connection: sqlite3.Connection, task: Task, now_ms: int) -> int | None:
    """Where the next span begins that is wholly old enough; none without rows."""
    found = connection.execute("SELECT done_ms FROM condensing WHERE task = ?", (task.name,))
    (done_ms,) = found.fetchone() or (0,)
    first_ms = task.first_ms(done_ms)
    if first_ms is None:
        return None
    start_ms = max(done_ms, first_ms // task.span_ms * task.span_ms)
    return start_ms if start_ms + task.span_ms <= now_ms - task.after_ms else None


def _tasks(connection: sqlite3.Connection) -> Iterator[Task]:
    for (heater,) in connection.execute("SELECT heater FROM heater_state").fetchall():
        yield _folding(connection, heater, "coarse", FULL_DAYS, SLOT_MS)
        yield _folding(connection, heater, "changes", COARSE_DAYS, LONGEST_FOLD_MS)
        yield _dropping_plans(connection, heater)
    for key, sensor in connection.execute("SELECT key, id FROM sensor").fetchall():
        if "@" not in sensor:
            yield _rolling(connection, key)


def _folding(
    connection: sqlite3.Connection, heater: str, name: str, days: int, apart_ms: int
) -> Task:
    def first_ms(at_ms: int) -> int | None:
        question = "SELECT min(utc_ms) FROM decision WHERE heater = ? AND utc_ms >= ?"
        found: int | None = connection.execute(question, (heater, at_ms)).fetchone()[0]
        return found

    def work(start_ms: int, end_ms: int) -> None:
        _fold(connection, heater, start_ms, end_ms, apart_ms)

    return Task(f"{name} {heater}", days * DAY_MS, 3 * HOUR_MS, first_ms, work)


def _dropping_plans(connection: sqlite3.Connection, heater: str) -> Task:
    """Plans to which no decision that is kept refers: it would do so within a plan's hours."""

    def first_ms(at_ms: int) -> int | None:
        question = "SELECT min(made_ms) FROM plan WHERE heater = ? AND made_ms >= ?"
        found: int | None = connection.execute(question, (heater, at_ms)).fetchone()[0]
        return found

    def work(start_ms: int, end_ms: int) -> None:
        kept = connection.execute(
            "SELECT DISTINCT plan FROM decision WHERE heater = ? AND utc_ms >= ? AND utc_ms < ?",
            (heater, start_ms, end_ms + DAY_MS),
        )
        connection.execute(
            "DELETE FROM plan WHERE heater = ? AND made_ms >= ? AND made_ms < ? "
            "AND id NOT IN (SELECT value FROM json_each(?))",
            (heater, start_ms, end_ms, json.dumps([plan for (plan,) in kept if plan is not None])),
        )

    return Task(f"plans {heater}", (FULL_DAYS + 2) * DAY_MS, 3 * HOUR_MS, first_ms, work)


def _rolling(connection: sqlite3.Connection, key: int) -> Task:
    def first_ms(at_ms: int) -> int | None:
        question = "SELECT min(measured_ms) FROM reading WHERE sensor = ? AND measured_ms >= ?"
        found: int | None = connection.execute(question, (key, at_ms)).fetchone()[0]
        return found

    def work(start_ms: int, end_ms: int) -> None:
        good = "CASE WHEN quality = 0 THEN value END"
        connection.execute(
            f"INSERT OR REPLACE INTO rolled SELECT sensor, measured_ms / ?1 * ?1, avg({good}), "  # noqa: S608 - our own words
            f"min({good}), max({good}), count({good}), count(*) - count({good}) FROM reading "
            "WHERE sensor = ?2 AND measured_ms >= ?3 AND measured_ms < ?4 "
            "GROUP BY measured_ms / ?1",
            (SLOT_MS, key, start_ms, end_ms),
        )
        connection.execute(
            "DELETE FROM reading WHERE sensor = ? AND measured_ms >= ? AND measured_ms < ?",
            (key, start_ms, end_ms),
        )

    return Task(f"readings {key}", READINGS_DAYS * DAY_MS, DAY_MS, first_ms, work)


@dataclass(slots=True)
class _Kept:
    """A row that stays, and what it stands for."""

    id: int
    utc_ms: int
    last_ms: int
    count: int
    gist: object
    grown: bool = False


def _fold(
    connection: sqlite3.Connection, heater: str, start_ms: int, end_ms: int, apart_ms: int
) -> None:
    """Fold equal rows of one heater; a row before the span goes on to stand for those in it."""
    gone: list[tuple[int]] = []
    grown: list[_Kept] = []
    kept: _Kept | None = None
    for row in _rows(connection, heater, start_ms, end_ms):
        if kept is not None and _goes_on(kept, row, apart_ms):
            kept.last_ms, kept.count = row.last_ms, kept.count + row.count + 1
            if not kept.grown:
                kept.grown = True
                grown.append(kept)
            gone.append((row.id,))
        else:
            kept = row
    connection.executemany("DELETE FROM folded WHERE decision = ?", gone)
    connection.executemany("DELETE FROM decision WHERE id = ?", gone)
    connection.executemany(
        "INSERT OR REPLACE INTO folded VALUES (?, ?, ?)",
        [(row.id, row.last_ms, row.count) for row in grown],
    )


def _goes_on(kept: _Kept, row: _Kept, apart_ms: int) -> bool:
    near = row.utc_ms - kept.last_ms <= CONTIGUOUS_MS and row.last_ms - kept.utc_ms < apart_ms
    return near and row.gist == kept.gist


def _rows(
    connection: sqlite3.Connection, heater: str, start_ms: int, end_ms: int
) -> Iterator[_Kept]:
    """The last row before a span, then those in it, by time."""
    columns = f"id, utc_ms, coalesce(until_ms, utc_ms), coalesce(count, 0), {_COMPARED}"
    question = f"SELECT {columns} FROM decision LEFT JOIN folded ON decision = id"  # noqa: S608 - our own column names
    before = connection.execute(
        f"{question} WHERE heater = ? AND utc_ms < ? ORDER BY utc_ms DESC, id DESC LIMIT 1",
        (heater, start_ms),
    ).fetchall()
    inside = connection.execute(
        f"{question} WHERE heater = ? AND utc_ms >= ? AND utc_ms < ? ORDER BY utc_ms, id",
        (heater, start_ms, end_ms),
    ).fetchall()
    for row_id, utc_ms, last_ms, count, *compared in before + inside:
        yield _Kept(row_id, utc_ms, last_ms, count, _gist(compared))


def _gist(compared: list[Any]) -> object:
    """What a row says but for its numbers; of one that cannot be understood, its very text."""
    *others, verdicts, outputs = compared
    said = _said(verdicts, "rule", "severity", "reason", "subject")
    return (*others, said, _said(outputs, "output", "on", "reason"))


def _said(text: str, *names: str) -> object:
    """The named fields of each record in a list of them, in any order."""
    try:
        return frozenset(tuple(record.get(name) for name in names) for record in json.loads(text))
    except (ValueError, AttributeError, TypeError, RecursionError):
        return text
