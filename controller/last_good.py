"""What the service starts with where the owner's files hold a mistake.

A typo and then a power cut must not end frost protection: what cannot be used is replaced by what
the last service had in force, which the store keeps. All of it is checked anew, by this version.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from controller.configuration import (
    BOOKINGS_NAME,
    LIMITS_NAME,
    Configuration,
    ConfigurationError,
    Use,
    load_all,
    site_line,
)
from controller.records.decision import Notice, NoticeKind
from controller.store.failures import StoreFailed
from controller.store.kept_texts import kept_texts

log = logging.getLogger(__name__)

_NO_BOOKINGS = "bookings: {}\n"


def load_or_last_good(
    site_path: Path, *, broker: Use = Use.NOW
) -> tuple[Configuration, Notice | None]:
    """Read the files; where they hold a mistake, what is good of them with what was last good.

    Parameters
    ----------
    site_path : Path
    broker : Use
        As for ``load_all``.

    Returns
    -------
    configuration : Configuration
        What is to be in force. A file without a mistake is taken as it is where the rest fits it.
        Bookings that nothing stands in for are none.
    broken : Notice or None
        The alarm where that is not what the files say.

    Raises
    ------
    ConfigurationError
        With the files' own problems, where there is nothing to start with.
    """
    try:
        return load_all(site_path, broker=broker), None
    except ConfigurationError as error:
        return _instead(site_path, error, broker)


def _instead(
    site_path: Path, error: ConfigurationError, broker: Use
) -> tuple[Configuration, Notice]:
    """Replace what is broken, then what does not fit that, until all is good."""
    kept, instead, last = _kept(site_path), dict[str, str](), error
    while more := _more(site_path, {Path(p.file).name for p in last.problems}, kept, instead):
        instead |= more
        try:
            found = load_all(site_path, broker=broker, instead=instead)
        except ConfigurationError as another:
            last = another
        else:
            return _in_force(found, instead), _alarm(error, instead)
    raise error


def _more(
    site_path: Path, broken: set[str], kept: Mapping[str, str], instead: Mapping[str, str]
) -> dict[str, str]:
    """The next texts to be taken for what stands in the files; none where nothing is left."""
    more = {name: kept[name] for name in broken - instead.keys() if name in kept}
    if not more and site_path.name in instead:
        # the site as it was, with what went with it
        more = {name: kept[name] for name in kept.keys() - instead.keys()}
    if not more and BOOKINGS_NAME in broken and instead.get(BOOKINGS_NAME) != _NO_BOOKINGS:
        more = {BOOKINGS_NAME: _NO_BOOKINGS}
    return more


def _kept(site_path: Path) -> dict[str, str]:
    """The texts that were in force last on this site, by the store that the site file names.

    Of a site file that is empty, garbled or gone, by the folder that systemd has made for this
    service's records: its site file is used where it names that very folder.
    """
    store = site_line(site_path, "store") or os.environ.get("STATE_DIRECTORY")
    if store is None:
        return {}
    folder = Path(os.path.realpath(site_path.parent / store))
    try:
        texts = kept_texts(folder)
    except StoreFailed as error:
        log.warning("%s", error)
        return {}
    kept = {n: t for n, t in texts.items() if n in (site_path.name, LIMITS_NAME, BOOKINGS_NAME)}
    if site_path.name not in kept:
        return kept
    was = kept[site_path.name]
    if site_line(site_path, "id") not in (None, site_line(site_path, "id", instead=was)):
        return {}  # another site's records
    before = site_line(site_path, "store", instead=was)
    if before is None or Path(os.path.realpath(site_path.parent / before)) != folder:
        del kept[site_path.name]  # the records were moved: it would send the service away from them
    return kept


def _in_force(found: Configuration, instead: Mapping[str, str]) -> Configuration:
    if instead.get(BOOKINGS_NAME) != _NO_BOOKINGS:
        return found
    # that there were none is no version of the file, and must not become the last good one
    return replace(found, texts={n: t for n, t in found.texts.items() if n != BOOKINGS_NAME})


def _alarm(error: ConfigurationError, instead: Mapping[str, str]) -> Notice:
    names = sorted(name for name, text in instead.items() if text != _NO_BOOKINGS)
    said = [error.in_short]
    if names:
        said.append(f"The last good version in the records stays in force: {', '.join(names)}.")
    if len(names) < len(instead):
        said.append("No bookings are in force: no heat but frost protection.")
    return Notice(NoticeKind.KEPT_LAST_CONFIGURATION, " ".join(said), alarm=True)
