"""Lockouts, kept a second time beside the store: one small file for each heater that has one.

A lockout holds until a person acknowledges it, so it must outlive the database: one that is
damaged and set aside, or one brought back from before the lockout. That the file is there says
that the heater is locked out, whatever can be read in it.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Collection
from pathlib import Path

from controller.store.whole_files import write_whole

log = logging.getLogger(__name__)

FOLDER = "lockouts"
NAME_LOST = "a rule whose name was lost"


class LockoutMarks:
    """The marks of one store's heaters.

    Parameters
    ----------
    store : Path
        The store's folder.
    """

    def __init__(self, store: Path) -> None:
        self._folder = store / FOLDER
        self._marked: dict[str, frozenset[str]] = {}

    def forget(self) -> None:
        """Take nothing as written: another folder may stand where the store's was."""
        self._marked.clear()

    def of(self, heater: str) -> frozenset[str]:
        """The rules that have locked a heater out, as its mark says; none without a mark.

        None, too, where nobody can say whether there is one, the disk being gone or closed to us:
        a record that is lost must not end frost protection.
        """
        path = self._path(heater)
        try:
            if not path.exists():
                return frozenset()
        except OSError as error:
            log.error("whether %s was locked out cannot be seen: %s", heater, error)  # noqa: TRY400 - no bug to trace
            return frozenset()
        try:
            names = json.loads(path.read_bytes())
            named = frozenset(name for name in names if isinstance(name, str))
        except (OSError, ValueError, TypeError, RecursionError):
            named = frozenset()
        return named or frozenset({NAME_LOST})

    def adopt(self, heaters: Collection[str]) -> frozenset[str]:
        """Hand the marks of heaters that are gone to all that are there; give whose they were.

        A heater with a new name is the same boiler: no edit of the site file lifts a lockout.
        """
        strangers = set(_marked(self._folder)) - set(heaters)
        for stranger in strangers:
            for heater in heaters:
                self.keep(heater, self.of(heater) | self.of(stranger))
            if heaters and set(heaters) <= set(_marked(self._folder)):
                self.lift(stranger, frozenset())
        return frozenset(strangers)

    def keep(self, heater: str, latched: frozenset[str]) -> None:
        """Mark a heater, before its lockout is stored. Failing to is logged: the store is left."""
        if not latched or self._marked.get(heater) == latched:
            return
        try:
            write_whole(self._path(heater), json.dumps(sorted(latched)).encode())
        except OSError as error:
            log.error("a lockout of %s could not be marked beside the store: %s", heater, error)  # noqa: TRY400 - no bug to trace
        else:
            self._marked[heater] = latched

    def lift(self, heater: str, latched: frozenset[str]) -> None:
        """Remove a heater's mark, after the store holds that its lockout was acknowledged."""
        if latched or self._marked.get(heater) == frozenset():
            return
        try:
            self._path(heater).unlink(missing_ok=True)
        except OSError as error:
            log.error("the mark of a lifted lockout of %s stays: %s", heater, error)  # noqa: TRY400 - no bug to trace
        else:
            self._marked[heater] = frozenset()

    def _path(self, heater: str) -> Path:
        return self._folder / f"{heater}.json"


def take_along(before: Path, after: Path) -> None:
    """Mark in the folder to come what is locked out in the one that is left.

    The site file says where the records are, and no edit of it lifts a lockout. The marks that are
    left behind stay, for whoever comes back to them.

    Parameters
    ----------
    before, after : Path
        Two stores' folders, which may be the same.
    """
    if before == after:
        return
    left, new = LockoutMarks(before), LockoutMarks(after)
    for heater in _marked(before / FOLDER):
        new.keep(heater, left.of(heater) | new.of(heater))


def _marked(folder: Path) -> list[str]:
    """The heaters that have a mark; none that could be seen where the folder cannot be read."""
    try:
        return sorted(path.stem for path in folder.glob("*.json"))
    except OSError as error:
        log.error("lockouts beside the store cannot be seen: %s", error)  # noqa: TRY400 - no bug to trace
        return []
