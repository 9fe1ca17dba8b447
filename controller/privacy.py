"""What slabtide leaves on disk is for its own user alone, whatever umask it was started with."""

from __future__ import annotations

import logging
import os
import shlex
import stat
from collections.abc import Iterator
from pathlib import Path

log = logging.getLogger(__name__)

UMASK = 0o077
_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_OURS = ("slabtide*", "service.lock", "requests", "requests/*", "lockouts", "lockouts/*")
"""What lies in a store's folder: only this is touched, for an owner may keep other things there."""


def keep_private() -> None:
    """Have every file and folder that this process or its children make closed to others."""
    os.umask(UMASK)


def tighten(store: Path) -> None:
    """Close what an earlier run, a copy or a backup left open; log what was, and what stays.

    The folder itself is left as it is where it holds folders that are not ours: a service started
    with its records in a folder that the system shares must not close that to all others.

    Parameters
    ----------
    store : Path
        The folder of the records.
    """
    try:
        _tighten(store)
    except OSError as error:
        # what cannot be looked at is no reason to let the pipes freeze
        log.warning("whether others may reach %s cannot be seen (%s)", store, error.strerror)


def _tighten(store: Path) -> None:
    ours = list(_of_ours(store))
    if any(path.is_dir() for path in set(store.iterdir()) - set(ours)):
        if store.stat().st_mode & _OTHERS:
            log.warning("others may look into %s, which holds folders beside the records", store)
    else:
        ours.insert(0, store)
    for path in ours:
        mode = stat.S_IMODE(path.lstat().st_mode)
        if not mode & _OTHERS:
            continue
        try:
            path.chmod(mode & ~_OTHERS)
        except OSError as error:
            mend = f"chmod go-rwx {shlex.quote(str(path))}"
            log.warning("others may reach %s (%s); mend it: %s", path, error.strerror, mend)
        else:
            log.warning("others could reach %s (mode %04o); it is closed now", path, mode)


def _of_ours(store: Path) -> Iterator[Path]:
    for pattern in _OURS:
        for path in store.glob(pattern):
            # a link's target is not ours to judge
            if not path.is_symlink() and (path.is_file() or path.is_dir()):
                yield path
