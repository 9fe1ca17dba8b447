"""The store's schema, as the steps that made it.

A released step is never edited: a change is a new function at the end of ``MIGRATIONS``. Each
runs in one transaction together with the count of steps done (SQLite's ``user_version``), so a
power cut leaves the store before or after a step, never within one.

All times are integer milliseconds since 1970-01-01 UTC; names end in their unit.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from controller.store.failures import StoreUnsuitable
from controller.store.transactions import transaction


def create_readings(connection: sqlite3.Connection) -> None:
    """Readings by sensor and time, and the payloads that gave none.

    A sensor's text id is kept once, so that years of readings cost about 30 bytes each.
    ``delay_ms`` is received minus measured: a small number packs into fewer bytes.
    """
    connection.execute("CREATE TABLE sensor (key INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE)")
    connection.execute(
        """CREATE TABLE reading (
            sensor INTEGER NOT NULL REFERENCES sensor (key),
            measured_ms INTEGER NOT NULL,
            sequence INTEGER NOT NULL,
            delay_ms INTEGER NOT NULL,
            value REAL NOT NULL,
            quality INTEGER NOT NULL,
            PRIMARY KEY (sensor, measured_ms, sequence)
        ) WITHOUT ROWID"""
    )
    connection.execute(
        """CREATE TABLE rejection (
            sensor INTEGER NOT NULL REFERENCES sensor (key),
            reason TEXT NOT NULL,
            day INTEGER NOT NULL,
            count INTEGER NOT NULL,
            last_ms INTEGER NOT NULL,
            example TEXT NOT NULL,
            PRIMARY KEY (sensor, reason, day)
        ) WITHOUT ROWID"""
    )


def create_decisions(connection: sqlite3.Connection) -> None:
    """Decisions in order of writing.

    The first index covers the history of the command, so that learning from months of it
    never reads the rows themselves.
    """
    connection.execute(
        """CREATE TABLE decision (
            id INTEGER PRIMARY KEY,
            utc_ms INTEGER NOT NULL,
            mono_ms INTEGER NOT NULL,
            heater TEXT NOT NULL,
            zones TEXT NOT NULL,
            version TEXT NOT NULL,
            heat INTEGER NOT NULL,
            sequence INTEGER NOT NULL,
            issued_ms INTEGER NOT NULL,
            lease_ms INTEGER NOT NULL,
            wanted INTEGER NOT NULL,
            rung TEXT NOT NULL,
            reason TEXT NOT NULL,
            session TEXT,
            plan TEXT,
            deciding_rule TEXT,
            deciding_severity INTEGER,
            deciding_reason TEXT,
            deciding TEXT,
            sensed TEXT NOT NULL,
            estimates TEXT NOT NULL,
            verdicts TEXT NOT NULL,
            notices TEXT NOT NULL
        )"""
    )
    connection.execute(
        "CREATE INDEX decision_by_heater ON decision (heater, utc_ms, id, heat, lease_ms)"
    )
    connection.execute("CREATE INDEX decision_by_time ON decision (utc_ms)")


def create_heater_records(connection: sqlite3.Connection) -> None:
    """What each relay answered, and what of each heater survives a power cut."""
    connection.execute(
        """CREATE TABLE readback (
            heater TEXT NOT NULL,
            sequence INTEGER NOT NULL,
            at_ms INTEGER NOT NULL,
            heat INTEGER,
            agrees INTEGER,
            PRIMARY KEY (heater, sequence)
        ) WITHOUT ROWID"""
    )
    connection.execute("CREATE TABLE heater_state (heater TEXT PRIMARY KEY, state TEXT NOT NULL)")


def create_plans(connection: sqlite3.Connection) -> None:
    """Plans, learnt parameters, and every configuration text that was ever in force.

    A plan's expected temperatures, its bulk by far, stand apart so that old ones can go.
    """
    connection.execute(
        """CREATE TABLE plan (
            id TEXT PRIMARY KEY,
            heater TEXT NOT NULL,
            made_ms INTEGER NOT NULL,
            plan TEXT NOT NULL,
            points TEXT
        )"""
    )
    connection.execute("CREATE INDEX plan_by_heater ON plan (heater, made_ms)")
    connection.execute(
        "CREATE INDEX plan_with_points ON plan (heater, made_ms) WHERE points IS NOT NULL"
    )
    connection.execute(
        """CREATE TABLE parameter_set (
            id TEXT PRIMARY KEY,
            zone TEXT NOT NULL,
            made_ms INTEGER NOT NULL,
            parameter_set TEXT NOT NULL
        )"""
    )
    connection.execute("CREATE INDEX parameter_set_by_zone ON parameter_set (zone, made_ms)")
    connection.execute(
        """CREATE TABLE configuration (
            id INTEGER PRIMARY KEY,
            name TEXT NOT NULL,
            loaded_ms INTEGER NOT NULL,
            text TEXT NOT NULL
        )"""
    )
    connection.execute("CREATE INDEX configuration_by_name ON configuration (name, id)")


def create_forecasts(connection: sqlite3.Connection) -> None:
    """Forecasts as they were received.

    The points stand as lists by quantity in one compact text: a week by the hour is 3 kB.
    """
    connection.execute(
        """CREATE TABLE forecast (
            id INTEGER PRIMARY KEY,
            received_ms INTEGER NOT NULL,
            points TEXT NOT NULL
        )"""
    )
    connection.execute("CREATE INDEX forecast_by_time ON forecast (received_ms)")


def add_outputs(connection: sqlite3.Connection) -> None:
    """What pump and valves are told; none were switched before."""
    connection.execute("ALTER TABLE decision ADD COLUMN outputs TEXT NOT NULL DEFAULT '[]'")


def create_condensed(connection: sqlite3.Connection) -> None:
    """What is kept of old rows in place of each of them, and how far condensing has come.

    ``folded`` stands beside the first of several equal decisions: until when the same was decided,
    and how many rows that replaces. In ``rolled`` a slot's mean, least and greatest are those of
    its good readings; they are null where it has none.
    """
    connection.execute(
        """CREATE TABLE folded (
            decision INTEGER PRIMARY KEY REFERENCES decision (id),
            until_ms INTEGER NOT NULL,
            count INTEGER NOT NULL
        )"""
    )
    connection.execute(
        """CREATE TABLE rolled (
            sensor INTEGER NOT NULL REFERENCES sensor (key),
            start_ms INTEGER NOT NULL,
            mean REAL,
            least REAL,
            greatest REAL,
            good INTEGER NOT NULL,
            others INTEGER NOT NULL,
            PRIMARY KEY (sensor, start_ms)
        ) WITHOUT ROWID"""
    )
    connection.execute(
        "CREATE TABLE condensing (task TEXT PRIMARY KEY, done_ms INTEGER NOT NULL) WITHOUT ROWID"
    )


MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (
    create_readings,
    create_decisions,
    create_heater_records,
    create_plans,
    create_forecasts,
    add_outputs,
    create_condensed,
)
"""Every step in the order of its release."""


def version(connection: sqlite3.Connection) -> int:
    """How many steps this store has been through."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def require_known(connection: sqlite3.Connection) -> int:
    """How many steps this store has been through, if this version knows them.

    Raises
    ------
    StoreUnsuitable
        Where a newer slabtide has written it: its rows could be misread.
    """
    done = version(connection)
    if done > len(MIGRATIONS):
        raise StoreUnsuitable(
            f"the store was written by a newer slabtide (its schema is {done}, this one knows "
            f"{len(MIGRATIONS)}); install that version again"
        )
    return done


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a store up to date; the connection must be in autocommit mode.

    Raises
    ------
    StoreUnsuitable
        See ``require_known``.
    """
    done = require_known(connection)
    for number, step in enumerate(MIGRATIONS[done:], start=done + 1):
        with transaction(connection):
            step(connection)
            connection.execute(f"PRAGMA user_version = {number:d}")
