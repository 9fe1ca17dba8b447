"""What the owner asks of a running service from the command line: files in the store's folder.

A command never reaches a relay: it leaves a request, and the next tick takes it as an input
like any other. Files, not rows, so that the service stays the only writer of its store.
"""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

FOLDER = "requests"
LIMIT_BYTES = 4096
"""More of a request is not read."""


def leave_acknowledgement(store: Path, heater: str, *, at_s: float) -> Path:
    """Ask the service to lift a heater's lockout; whole or not there at all."""
    folder = store / FOLDER
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    final = folder / f"acknowledge-{heater}.json"
    draft = folder / f".{final.name}.{os.getpid()}"
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(json.dumps({"acknowledge": heater, "at_s": at_s}))
    draft.replace(final)
    return final


def take_acknowledgements(store: Path, *, known: frozenset[str]) -> frozenset[str]:
    """The heaters acknowledged since the last call, of the known ones; their files are removed.

    What cannot be removed is no acknowledgement: it would lift every lockout to come.
    """
    heaters = set()
    for path in sorted((store / FOLDER).glob("acknowledge-*.json")):
        try:
            heater = json.loads(_read(path))["acknowledge"]
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            heater = None
        try:
            path.unlink()
        except OSError:
            continue
        if isinstance(heater, str) and heater in known:
            heaters.add(heater)
    return frozenset(heaters)


def _read(path: Path) -> bytes:
    """A small file's bytes. Anything else (a pipe, a link to a device) would hold up the tick."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW)
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(f"{path} is not a file")
        return file.read(LIMIT_BYTES)
