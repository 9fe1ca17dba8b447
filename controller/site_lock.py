"""One service for one site: a lock taken before any connection is made."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.privacy import tighten


class AlreadyRunning(Exception):
    """Another service holds the site's lock."""


@contextmanager
def site_lock(store: Path) -> Iterator[None]:
    """Hold the lock of the site whose records are in ``store``.

    The operating system lets go of it when the process ends, however it ends.

    Raises
    ------
    AlreadyRunning
        Where another process holds it.
    """
    store.mkdir(mode=0o700, parents=True, exist_ok=True)
    descriptor = os.open(store / "service.lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise AlreadyRunning(str(store)) from error
        tighten(store)
        yield
    finally:
        os.close(descriptor)
