"""One service for one site: a lock taken before any connection is made."""

from __future__ import annotations

import fcntl
import logging
import os
import threading
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from controller.privacy import tighten

log = logging.getLogger(__name__)

FILE_NAME = "service.lock"
_LOOKS_S = 0.2
"""Longer than who only looks holds the lock to see whether it can [s]."""


class AlreadyRunning(Exception):
    """Another service holds the site's lock."""


@contextmanager
def site_lock(store: Path, site_path: Path) -> Iterator[None]:
    """Hold the lock of the site whose records are in ``store``.

    All is locked that is there to be locked, for each may be missing to one of two services: the
    file made for it, the records' folder where that file cannot be made, the site file where there
    is no folder. Frost protection must not wait for a disk that can be written. The operating
    system lets go of the lock when the process ends, however it ends.

    Parameters
    ----------
    store : Path
        The folder of the records; made where that can be done.
    site_path : Path
        The site file.

    Raises
    ------
    AlreadyRunning
        Where another process holds it.
    """
    with ExitStack() as stack:
        for descriptor in _opened(store, site_path, stack):
            if not _locks(descriptor, fcntl.LOCK_EX):
                threading.Event().wait(_LOOKS_S)
                if not _locks(descriptor, fcntl.LOCK_EX):
                    raise AlreadyRunning(str(store))
        tighten(store)
        yield


def is_held(store: Path, site_path: Path) -> bool:
    """Whether a service runs on the site whose records are in ``store``; see ``site_lock``."""
    return _is_locked((site_path, store, store / FILE_NAME))


def is_taken(store: Path) -> bool:
    """Whether some service holds the lock of the records in ``store``, whatever its site file."""
    return _is_locked((store, store / FILE_NAME))


def _is_locked(paths: Iterable[Path]) -> bool:
    with ExitStack() as stack:
        found = [_open(path, stack) for path in paths]
        return not all(_locks(one, fcntl.LOCK_SH) for one in found if one is not None)


def _opened(store: Path, site_path: Path, stack: ExitStack) -> list[int]:
    """What there is to be locked, open until the stack is closed."""
    with suppress(OSError):
        store.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = store / FILE_NAME
    # of another user, or on a disk that is read-only now, the file can be locked all the same
    made = _open(lock, stack, os.O_RDWR | os.O_CREAT) or _open(lock, stack)
    if made is None:
        log.error("%s cannot be opened; other files keep a second service away", lock)
    found = (_open(site_path, stack), _open(store, stack), made)
    return [descriptor for descriptor in found if descriptor is not None]


def _open(path: Path, stack: ExitStack, flags: int = os.O_RDONLY) -> int | None:
    try:
        descriptor = os.open(path, flags | os.O_NONBLOCK, 0o600)
    except OSError:
        return None
    stack.callback(os.close, descriptor)
    return descriptor


def _locks(descriptor: int, how: int) -> bool:
    try:
        fcntl.flock(descriptor, how | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        pass  # a file system that knows no locks tells nobody apart
    return True
