"""The configuration texts that a running service has accepted, as its store keeps them.

They are read before the store is opened for writing, so by a service that is newer than the
store, too: the columns have kept their place since there are any.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from controller.store.database import BUSY_TIMEOUT_MS, FILE_NAME
from controller.store.failures import StoreMissing, reported


def kept_texts(folder: Path) -> dict[str, str]:
    """The last text of each configuration file, by the file's name.

    Raises
    ------
    StoreFailed
        Where there is no store, or none that can be read.
    """
    path = folder / FILE_NAME
    with reported("read the configuration kept", path):
        if not path.is_file():
            raise StoreMissing(f"there is no store at {path}")
        uri = f"file:{quote(str(path.absolute()))}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as connection:
            connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS:d}")
            found = connection.execute(
                "SELECT name, text FROM configuration ORDER BY id"
            ).fetchall()
    return {name: text for name, text in found if isinstance(text, str)}
