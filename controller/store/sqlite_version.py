"""What is known of the SQLite library at hand: whether it can hold the record, and its faults.

Published by SQLite itself (https://sqlite.org/wal.html, section *The WAL-Reset Bug*, and its
release notes of 3.51.3): versions 3.7.0 to 3.51.2, but for the corrected 3.44.6 and 3.50.7, can
damage a file in write-ahead mode when *two or more* connections write or checkpoint it at the same
moment. Here one connection alone does either: the service's, behind the site lock and its own
lock. All others are opened read-only, and such a connection never checkpoints. So an affected
version is used, and its owner told to keep other programs from writing.
"""

from __future__ import annotations

import sqlite3

from controller.store.failures import StoreUnsuitable

Version = tuple[int, int, int]

OLDEST: Version = (3, 24, 0)
"""The first that knows ``ON CONFLICT ... DO UPDATE`` (https://sqlite.org/lang_upsert.html)."""
_FIRST_FAULTY: Version = (3, 7, 0)
_CORRECTED: Version = (3, 51, 3)
_CORRECTED_EARLIER = ((3, 44, 6), (3, 50, 7))
"""Later ones of the same two branches are correct as well."""


def check_library(version: Version | None = None, threadsafety: int | None = None) -> None:
    """Refuse a library that cannot hold the record.

    Parameters
    ----------
    version : tuple of int, optional
        Of the library in use where not given.
    threadsafety : int, optional
        As in DB-API 2; of the library in use where not given.

    Raises
    ------
    StoreUnsuitable
        Where it is too old, or was built for one thread only.
    """
    version = sqlite3.sqlite_version_info if version is None else version
    threadsafety = sqlite3.threadsafety if threadsafety is None else threadsafety
    if version < OLDEST:
        raise StoreUnsuitable(
            f"SQLite {_text(version)} is too old to hold the records; right: {_text(OLDEST)} or "
            f"newer, best {_text(_CORRECTED)}"
        )
    if threadsafety < 1:
        raise StoreUnsuitable(
            "this SQLite was built for a single thread (THREADSAFE=0) and cannot hold the records"
        )


def known_fault(version: Version | None = None) -> str | None:
    """What the owner should know of the library in use, None where nothing is known."""
    version = sqlite3.sqlite_version_info if version is None else version
    corrected = version >= _CORRECTED or any(
        version[:2] == branch[:2] and version >= branch for branch in _CORRECTED_EARLIER
    )
    if version < _FIRST_FAULTY or corrected:
        return None
    return (
        f"SQLite {_text(version)} can damage a file that two programs write at the same moment "
        f"(its WAL-reset fault, corrected in {_text(_CORRECTED)}). slabtide writes with one "
        "connection, which is safe; open its records in other programs read-only."
    )


def _text(version: Version) -> str:
    return ".".join(str(part) for part in version)
