"""The configuration in force while the service runs: an edit is taken up, a broken one is not."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from controller.configuration import Configuration, ConfigurationError, Use, load_all
from controller.configuration.broker import exposure
from controller.records.decision import Notice, NoticeKind
from controller.site_lock import is_taken
from controller.store.database import require_usable
from controller.store.failures import StoreFailed

FILES = ("site.yaml", "limits.yaml", "bookings.yaml")

LOOKS = 6
"""Looks after which files with a mistake are read again unchanged, a minute of ticks: what is wrong
may be a file that they name, or the folder of the records."""

Stamp = tuple[tuple[int, ...] | None, ...]
"""What shows an edit of any of the files."""


class ConfigurationWatch:
    """Looks at each tick whether the files have changed, and reads them when they have.

    Parameters
    ----------
    site_path : Path
    loaded : Configuration
        What is in force at the start.
    broken : Notice, optional
        The alarm where that is not what the files say, because they hold a mistake.
    stamp : Stamp, optional
        Of the files before they were loaded, so that no edit is missed in between.
    """

    def __init__(
        self,
        site_path: Path,
        loaded: Configuration,
        broken: Notice | None = None,
        *,
        stamp: Stamp | None = None,
    ) -> None:
        self.site_path = site_path
        self._stamp = stamp or stamp_of(site_path)
        self._looks = 0
        self._broken = broken
        self.current = loaded

    @property
    def notices(self) -> tuple[Notice, ...]:
        """The alarm that stands while a file is broken, and what the broker's use leaves open."""
        exposed = exposure(self.current.site.broker)
        open_door = (Notice(NoticeKind.BROKER_EXPOSED, exposed),) if exposed else ()
        return (*open_door, self._broken) if self._broken else open_door

    def look(self) -> bool:
        """Whether a new configuration has been taken up since the last look."""
        if not self._is_due():
            return False
        try:
            loaded = load_all(self.site_path, broker=Use.NOW)
        except ConfigurationError as error:
            # the alarm of the start says more of the same mistake: what stands in for the file
            if not (self._broken and self._broken.text.startswith(error.in_short)):
                self._broken = _kept(error.in_short)
            return False
        if loaded.store != self.current.store and (fault := _fault_of(loaded.store)):
            self._broken = _kept(fault)
            return False
        self._broken = None
        changed = loaded != self.current
        self.current = loaded
        return changed

    def _is_due(self) -> bool:
        """Whether the files are to be read: changed, or with a mistake for a while."""
        stamp, self._looks = stamp_of(self.site_path), self._looks + 1
        if stamp == self._stamp and not (self._broken and self._looks >= LOOKS):
            return False
        self._stamp, self._looks = stamp, 0
        return True


def stamp_of(site_path: Path) -> Stamp:
    """What the files look like from outside."""
    return tuple(_file_stamp(site_path.with_name(name)) for name in (site_path.name, *FILES[1:]))


def _file_stamp(path: Path) -> tuple[int, ...] | None:
    """Of one file; a change of its rights alone, or another file in its place, is seen as well."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ctime_ns, found.st_ino, found.st_dev


def _fault_of(store: Path) -> str | None:
    """Why the records cannot be kept in another folder than now; None where they can.

    Lockouts go along, and none may be lost on the way. Nor may a service that runs well end because
    of what is found there.
    """
    with suppress(OSError):
        store.mkdir(mode=0o700, parents=True, exist_ok=True)
    if not os.access(store, os.R_OK | os.W_OK | os.X_OK):
        return f"Nothing can be written in {store}."
    if is_taken(store):
        return f"Another service keeps its records in {store}."
    try:
        require_usable(store)
    except StoreFailed as error:
        return f"The records cannot be kept in {store}: {error}."
    return None


def _kept(fault: str) -> Notice:
    text = f"{fault} The last good configuration stays in force."
    return Notice(NoticeKind.KEPT_LAST_CONFIGURATION, text, alarm=True)
