"""Whether an opened file is a store of ours, and whole."""

from __future__ import annotations

import sqlite3
from contextlib import closing

from controller.clock import Clock
from controller.store import migrations
from controller.store.failures import StoreDamaged

LOOK_S = 0.5
"""Longest look at whether every page is well at a start [s]: a service that starts must not leave
pipes unguarded for long. Of a store that needs more the rest is looked at by each backup."""
_STEPS_BETWEEN_LOOKS_AT_THE_CLOCK = 10_000


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


def require_whole(
    connection: sqlite3.Connection, clock: Clock, *, within_s: float = LOOK_S
) -> bool:
    """Look whether the pages fit together; give whether there was time for all of them.

    Raises
    ------
    StoreDamaged
        Where they do not.
    """
    until_mono_s = clock.now().mono_s + within_s

    def is_late() -> bool:
        return clock.now().mono_s > until_mono_s

    connection.set_progress_handler(is_late, _STEPS_BETWEEN_LOOKS_AT_THE_CLOCK)
    try:
        (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_INTERRUPT:
            return False
        raise
    finally:
        connection.set_progress_handler(None, 0)
    if found != "ok":
        raise StoreDamaged(f"the store is damaged: {' '.join(str(found).split())}")
    return True


def _names(connection: sqlite3.Connection) -> set[str]:
    return {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}
