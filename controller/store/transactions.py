"""All or nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Committed to disk when the block ends, undone when it raises; autocommit mode needed."""
    connection.execute("BEGIN IMMEDIATE")
    with ending(connection):
        yield


@contextmanager
def ending(connection: sqlite3.Connection) -> Iterator[None]:
    """The rest of a transaction that has begun."""
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk may have ended it already
            connection.execute("ROLLBACK")
        raise
