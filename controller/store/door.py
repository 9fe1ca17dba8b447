"""The writer's way to its file: how it is opened, and opened again after what can pass.

A lock of another program, a full disk or one that has gone away pass by themselves: the door is
shut meanwhile, and tried again at every call. Damage does not pass: such a file is set aside and
a new one made, so that the service goes on with a record.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.clock import Clock
from controller.records.decision import Notice, NoticeKind
from controller.store.database import FILE_NAME, connect_writer
from controller.store.failures import PRIMARY, StoreDamaged, StoreFailed, reported
from controller.store.patience import Patience
from controller.store.set_aside import set_aside, set_orphans_aside
from controller.store.soundness import require_tables, require_whole

log = logging.getLogger(__name__)

_PASSING = (
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_ERROR,
)
"""What leaves the connection as good as it was."""


class Door:
    """Opens the store of one folder for its only writer.

    Parameters
    ----------
    folder : Path
    clock : Clock
        Real time.
    lasting : bool
        Whether to go on after failures as the service must: with a new file in place of a damaged
        one. Otherwise every failure is the caller's.

    Attributes
    ----------
    generation : int
        Counts the files that were opened, each once.
    """

    def __init__(self, folder: Path, clock: Clock, *, lasting: bool) -> None:
        self.path = folder / FILE_NAME
        self.generation = 0
        self._folder, self._clock, self._lasting = folder, clock, lasting
        self._patience = Patience(clock)
        self._connection: sqlite3.Connection | None = None
        self._opened: tuple[int, int] | None = None
        self._trouble: str | None = None
        self._closed = False

    def open(self) -> None:
        """Open the store for the first time, with a look at whether it is whole.

        Raises
        ------
        StoreUnsuitable
            Where this version must not use it.
        StoreFailed
            Where it cannot be opened; ``connection`` tries again. Of a lasting door only after a
            damaged file has been set aside and no new one could be made.
        """
        try:
            self._connect(at_start=True)
        except StoreDamaged as error:
            self._damaged(error)
            if not self._lasting:
                raise
            self._connect(at_start=False)

    @property
    def connection(self) -> sqlite3.Connection:
        """The connection; StoreFailed where there is none and none can be made now."""
        if self._closed:
            raise StoreFailed(f"{self.path} has been closed")
        if self._connection is not None and not self._is_in_place():
            log.error("%s was moved or replaced while in use; it is opened anew", self.path)
            self._shut()
        if self._connection is None:
            self._connect(at_start=False)
        assert self._connection is not None  # noqa: S101 - just connected
        return self._connection

    def look(self) -> int:
        """Open what is there now, if that is another file than before; its ``generation``."""
        try:
            with reported("open the store", self.path):
                _ = self.connection  # asking for it opens it
        except StoreFailed as error:
            self._after(error)
            raise
        return self.generation

    @contextmanager
    def use(self, doing: str) -> Iterator[sqlite3.Connection]:
        """The connection for one piece of work, whose failures become StoreFailed."""
        try:
            with reported(doing, self.path):
                yield self.connection
        except StoreFailed as error:
            self._after(error)
            raise
        self._trouble = None

    def begin(self, connection: sqlite3.Connection) -> None:
        """Begin a transaction, waiting for another program's lock no longer than is left."""
        connection.execute(f"PRAGMA busy_timeout = {self._patience.left_ms():d}")
        began = self._patience.begin()
        try:
            connection.execute("BEGIN IMMEDIATE")
        finally:
            self._patience.end(began)

    def notices(self) -> tuple[Notice, ...]:
        """What is wrong with the store at this moment."""
        if self._trouble is None:
            return ()
        text = f"The records cannot be kept: {self._trouble}. No heat but frost protection."
        return (Notice(NoticeKind.STORE_FAILED, text, alarm=True),)

    def close(self) -> None:
        """Close the store; the write-ahead log is folded into the file."""
        self._closed = True
        if self._connection is not None:
            connection, self._connection = self._connection, None
            with reported("close the store", self.path):
                connection.close()

    def _connect(self, *, at_start: bool) -> None:
        began = self._patience.begin()
        try:
            with reported("open the store", self.path):
                set_orphans_aside(self._folder, at_s=self._clock.now().utc_s)
                connection = connect_writer(self._folder, wait_ms=self._patience.left_ms())
                try:
                    require_tables(connection)
                    status = self.path.stat()
                    if at_start and self._lasting:
                        require_whole(connection, status.st_size)
                except BaseException:
                    connection.close()
                    raise
        finally:
            if not at_start:
                self._patience.end(began)
        if _identity(status) != self._opened:
            self.generation += 1
        self._connection, self._opened = connection, _identity(status)

    def _is_in_place(self) -> bool:
        try:
            return _identity(self.path.stat()) == self._opened
        except OSError:
            return False

    def _after(self, error: StoreFailed) -> None:
        """What a failure of the store itself means for the door; a record unread means nothing."""
        if isinstance(error, StoreDamaged):
            self._damaged(error)
        elif isinstance(error.__cause__, sqlite3.Error):
            code = getattr(error.__cause__, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
            if code & PRIMARY not in _PASSING:
                self._shut()
        elif isinstance(error.__cause__, ValueError):
            return
        self._trouble = self._trouble or str(error)

    def _damaged(self, error: StoreDamaged) -> None:
        """Set a damaged file aside, and only then let go of it: closing folds in its log."""
        try:
            self._set_damaged_aside(error)
        finally:
            self._shut()

    def _set_damaged_aside(self, error: StoreDamaged) -> None:
        if not self._lasting:
            return
        try:
            aside = set_aside(self._folder, "damaged", at_s=self._clock.now().utc_s)
        except OSError as failure:
            log.error("%s; it cannot be set aside: %s", error, failure)  # noqa: TRY400 - no bug to trace
        else:
            log.error("%s; set aside as %s, a new store is made", error, aside)

    def _shut(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            with contextlib.suppress(sqlite3.Error):
                connection.close()


def _identity(status: os.stat_result) -> tuple[int, int]:
    """What tells a file from every other one, also from that of another disk."""
    return status.st_dev, status.st_ino
