"""Opening the store's file: one writer, any number of readers, private to their user.

Write-ahead logging lets readers work while the writer does, and keeps what was committed when
the writer is killed; ``synchronous=FULL`` makes a commit wait for the disk, so that a power cut
keeps it too.
"""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from urllib.parse import quote

from controller.store import migrations
from controller.store.failures import StoreMissing, StoreUnsuitable, reported
from controller.store.sqlite_version import check_library

FILE_NAME = "slabtide.db"
BUSY_TIMEOUT_MS = 1_000
"""How long to wait for another connection's lock [ms]; well under the guard's 30 s."""
WAL_KEPT_BYTES = 16 * 1024 * 1024
"""Size to which the write-ahead log shrinks again after a large import."""


def connect_writer(folder: Path, *, wait_ms: int = BUSY_TIMEOUT_MS) -> sqlite3.Connection:
    """Open the store for writing; make folder and file where there are none, and migrate.

    Parameters
    ----------
    folder : Path
    wait_ms : int
        How long to wait for another program's lock [ms].

    Raises
    ------
    StoreUnsuitable
        Where this version of slabtide, of SQLite or the file system must not write it.
    """
    connection = _opened(folder, wait_ms)
    try:
        migrations.migrate(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def require_usable(folder: Path) -> None:
    """Look whether the service could keep its records in a folder.

    Makes folder and file where there are none, as opening the store does; an older one stays old.

    Raises
    ------
    StoreFailed
        Where it could not, or not at once.
    """
    with reported("keep records", folder / FILE_NAME):
        _opened(folder, BUSY_TIMEOUT_MS).close()


def _opened(folder: Path, wait_ms: int) -> sqlite3.Connection:
    """A connection to a store that is not brought up to date yet; a newer one is left as it is."""
    check_library()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = folder / FILE_NAME
    # SQLite gives its side files the mode of the main file, so this one call covers all three.
    os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    path.chmod(0o600)
    # The scheduler runs ticks on a pool: any thread may write, one at a time (see Writer).
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    try:
        connection.execute(f"PRAGMA busy_timeout = {wait_ms:d}")
        migrations.require_known(connection)
        _use_write_ahead_log(connection, path)
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA journal_size_limit = {WAL_KEPT_BYTES:d}")
        connection.execute("PRAGMA foreign_keys = ON")
    except BaseException:
        connection.close()
        raise
    return connection


def _use_write_ahead_log(connection: sqlite3.Connection, path: Path) -> None:
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise StoreUnsuitable(
            f"the file system under {path} cannot hold a write-ahead log: SQLite chose {mode!r}; "
            "right: a local disk"
        )


def connect_reader(folder: Path) -> sqlite3.Connection:
    """Open an existing store read-only.

    Raises
    ------
    StoreMissing
        Where there is no file, or one whose first migration has not run.
    StoreUnsuitable
        Where the file's schema is not the one this version reads.
    """
    path = folder / FILE_NAME
    if not path.is_file():
        raise StoreMissing(f"there is no store at {path}")
    uri = f"file:{quote(str(path.absolute()))}?mode=ro"
    connection = sqlite3.connect(uri, uri=True, isolation_level=None)
    try:
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS:d}")
        _check_version(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _check_version(connection: sqlite3.Connection, path: Path) -> None:
    found, known = migrations.version(connection), len(migrations.MIGRATIONS)
    if found == 0:
        raise StoreMissing(f"the store at {path} is still empty")
    if found != known:
        relation = "a newer" if found > known else "an older"
        raise StoreUnsuitable(
            f"the store at {path} was last written by {relation} slabtide (its schema is "
            f"{found}, this one reads {known}); run both with the same version"
        )
