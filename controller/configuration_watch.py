"""The configuration in force while the service runs: an edit is taken up, a broken one is not."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from controller.configuration import Configuration, ConfigurationError, Use, load_all
from controller.configuration.broker import exposure
from controller.records.decision import Notice, NoticeKind

FILES = ("site.yaml", "limits.yaml", "bookings.yaml")

_Stamp = tuple[tuple[int, int] | None, ...]


class ConfigurationWatch:
    """Looks at the files' size and time at each tick, and reads them when these change.

    Parameters
    ----------
    site_path : Path
    loaded : Configuration
        What is in force at the start.
    broken : Notice, optional
        The alarm where that is not what the files say, because they hold a mistake.
    """

    def __init__(
        self, site_path: Path, loaded: Configuration, broken: Notice | None = None
    ) -> None:
        self.site_path = site_path
        self._stamp = _stamp(site_path)
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
        stamp = _stamp(self.site_path)
        if stamp == self._stamp:
            return False
        self._stamp = stamp
        try:
            loaded = load_all(self.site_path, broker=Use.NOW)
        except ConfigurationError as error:
            self._broken = _broken(error)
            return False
        if loaded.store != self.current.store and not _can_be_kept_in(loaded.store):
            self._broken = _nowhere(loaded.store)
            return False
        self._broken = None
        changed = loaded != self.current
        self.current = loaded
        return changed


def _stamp(site_path: Path) -> _Stamp:
    return tuple(_file_stamp(site_path.with_name(name)) for name in (site_path.name, *FILES[1:]))


def _file_stamp(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def _can_be_kept_in(store: Path) -> bool:
    """Whether records can be written there: lockouts go along, and none may be lost on the way."""
    with suppress(OSError):
        store.mkdir(mode=0o700, parents=True, exist_ok=True)
    return os.access(store, os.R_OK | os.W_OK | os.X_OK)


def _nowhere(store: Path) -> Notice:
    text = f"Nothing can be written in {store}. The last good configuration stays in force."
    return Notice(NoticeKind.KEPT_LAST_CONFIGURATION, text, alarm=True)


def _broken(error: ConfigurationError) -> Notice:
    text = f"{error.in_short} The last good configuration stays in force."
    return Notice(NoticeKind.KEPT_LAST_CONFIGURATION, text, alarm=True)
