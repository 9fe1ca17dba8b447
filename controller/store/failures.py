"""What can go wrong with the store, in the words of the owner rather than of SQLite."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class StoreFailed(Exception):
    """The store could not be read or written; the message names the file and the reason."""


class StoreMissing(StoreFailed):
    """There is no store yet: the service has never run on this site."""


class StoreUnsuitable(StoreFailed):
    """The store or the library is of a version that must not be used; waiting changes nothing."""


class StoreDamaged(StoreFailed):
    """The file is no whole database any more; waiting changes nothing."""


_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
PRIMARY = 0xFF
"""The lowest byte of SQLite's extended error codes is the error itself."""


@contextmanager
def reported(doing: str, path: Path) -> Iterator[None]:
    """Turn every fault met while ``doing`` something with the store into StoreFailed.

    ValueError belongs to it: that is what the codec raises for a row that holds no record.
    OverflowError, too: a number that SQLite has no room for cannot be written.
    """
    try:
        yield
    except (sqlite3.Error, OSError, ValueError, OverflowError) as error:
        code = getattr(error, "sqlite_errorcode", None)
        damaged = code is not None and code & PRIMARY in _DAMAGED
        kind = StoreDamaged if damaged else StoreFailed
        raise kind(f"cannot {doing} in {path}: {error}") from error
