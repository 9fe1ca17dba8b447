"""What the owner asks of a running service from the command line: files in the store's folder.

A command never reaches a relay: it leaves a request, and the next tick takes it as an input
like any other. Files, not rows, so that the service stays the only writer of its store.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Collection
from pathlib import Path

FOLDER = "requests"
LIMIT_BYTES = 4096
"""More of a request is not read."""


def leave_acknowledgement(
    store: Path, heater: str, *, at_s: float, waits: Collection[str] = ()
) -> Path:
    """Ask the service to lift a heater's lockouts; whole or not there at all.

    Parameters
    ----------
    store : Path
        The store's folder.
    heater : str
    at_s : float
        When it is given [UTC s].
    waits : collection of str
        The rules that wait for it now. A service that runs lifts whatever stands at its next tick;
        one that is down could not say what has come since, and lifts these alone when it starts.
    """
    folder = store / FOLDER
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    final = folder / f"acknowledge-{heater}.json"
    draft = folder / f".{final.name}.{os.getpid()}"
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(json.dumps({"acknowledge": heater, "at_s": at_s, "waits": sorted(waits)}))
    draft.replace(final)
    return final


def take_acknowledgements(store: Path, *, known: frozenset[str]) -> dict[str, frozenset[str]]:
    """The heaters acknowledged since the last call, of the known ones; their files are removed.

    With each come the rules that waited when it was given. What cannot be removed is no
    acknowledgement: it would lift every lockout to come.
    """
    taken = {}
    for path in sorted((store / FOLDER).glob("acknowledge-*.json")):
        try:
            request = json.loads(_read(path))
            heater, waits = request["acknowledge"], request.get("waits", [])
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            heater = waits = None
        try:
            path.unlink()
        except OSError:
            continue
        if isinstance(heater, str) and heater in known:
            taken[heater] = frozenset(
                rule for rule in (waits if isinstance(waits, list) else []) if isinstance(rule, str)
            )
    return taken


def _read(path: Path) -> bytes:
    """A small file's bytes. Anything else (a pipe, a link to a device) would hold up the tick."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW)
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(f"{path} is not a file")
        return file.read(LIMIT_BYTES)
