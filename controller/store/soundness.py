"""Whether an opened file is a store of ours, and whole."""

from __future__ import annotations

import sqlite3
from contextlib import closing

from controller.store import migrations
from controller.store.failures import StoreDamaged

LOOK_BYTES = 64_000_000
"""Largest file that is looked at whole at a start: a service that starts must not leave pipes
unguarded for long. Of a larger one the vital tables are, and the ends of the others; every page is
by each backup."""
_VITAL = ("heater_state", "sensor", "parameter_set", "configuration", "readback", "condensing")
_PARTIAL_SINCE = (3, 33, 0)
"""The first that checks one table alone (https://sqlite.org/pragma.html#pragma_quick_check)."""


def require_tables(connection: sqlite3.Connection, *, steps: int | None = None) -> None:
    """Refuse a file that lacks any table or index of its schema.

    Parameters
    ----------
    connection : sqlite3.Connection
    steps : int, optional
        How many of the migrations it has been through; all where not given.

    Raises
    ------
    StoreDamaged
    """
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as model:
        for step in migrations.MIGRATIONS[:steps]:
            step(model)
        missing = _names(model) - _names(connection)
    if missing:
        raise StoreDamaged(f"the store lacks {', '.join(sorted(missing))}")


def require_whole(connection: sqlite3.Connection, size_bytes: int) -> bool:
    """Look whether the pages fit together; give whether all of them were looked at.

    Raises
    ------
    StoreDamaged
        Where they do not.
    sqlite3.DatabaseError
    """
    if size_bytes <= LOOK_BYTES:
        _require_ok(connection, "PRAGMA quick_check(1)")
        return True
    _read_ends(connection)
    if sqlite3.sqlite_version_info >= _PARTIAL_SINCE:
        for table in _VITAL:
            _require_ok(connection, "SELECT * FROM pragma_quick_check(?)", table)
    return False


def _read_ends(connection: sqlite3.Connection) -> None:
    """The first and last rows of the large tables, by each of their orders."""
    for found in (
        connection.execute("SELECT * FROM decision ORDER BY id LIMIT 1"),
        connection.execute("SELECT * FROM decision ORDER BY id DESC LIMIT 1"),
        connection.execute("SELECT * FROM decision ORDER BY utc_ms DESC LIMIT 1"),
        connection.execute("SELECT * FROM reading ORDER BY sensor, measured_ms, sequence LIMIT 1"),
        connection.execute(
            "SELECT * FROM reading ORDER BY sensor DESC, measured_ms DESC, sequence DESC LIMIT 1"
        ),
    ):
        found.fetchall()


def _require_ok(connection: sqlite3.Connection, question: str, *values: str) -> None:
    (found,) = connection.execute(question, values).fetchone()
    if found != "ok":
        raise StoreDamaged(f"the store is damaged: {' '.join(str(found).split())}")


def _names(connection: sqlite3.Connection) -> set[str]:
    return {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}
