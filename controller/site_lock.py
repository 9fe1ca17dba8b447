"""One service for one site: a lock taken before any connection is made."""

from __future__ import annotations

import fcntl
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.privacy import tighten

_LOOKS_S = 0.2
"""Longer than ``is_held`` holds the lock to see whether it can [s]."""


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
        if not _locks(descriptor, fcntl.LOCK_EX):
            threading.Event().wait(_LOOKS_S)
            if not _locks(descriptor, fcntl.LOCK_EX):
                raise AlreadyRunning(str(store))
        tighten(store)
        yield
    finally:
        os.close(descriptor)


def is_held(store: Path) -> bool:
    """Whether a service runs on the site whose records are in ``store``."""
    try:
        descriptor = os.open(store / "service.lock", os.O_RDONLY)
    except OSError:
        return False
    try:
        return not _locks(descriptor, fcntl.LOCK_SH)
    finally:
        os.close(descriptor)


def _locks(descriptor: int, how: int) -> bool:
    try:
        fcntl.flock(descriptor, how | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
