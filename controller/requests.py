"""What the owner asks of a running service from the command line: files in the store's folder.

A command never reaches a relay: it leaves a request, and the next tick takes it as an input
like any other. Files, not rows, so that the service stays the only writer of its store.
"""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path

FOLDER = "requests"
LIMIT_BYTES = 4096
"""More of a request is not read."""
TOLD = 3
"""Of more requests that could not be read nothing is said."""


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


@dataclass(frozen=True, slots=True)
class Taken:
    """What a look at the requests has found.

    Attributes
    ----------
    given : mapping
        The heaters that were acknowledged, with the rules that waited when that was asked for.
    troubles : tuple of str
        What could not be read, a sentence each: somebody may believe that a lockout is lifted.
    listed : bool
        Whether the folder could be looked into. If not, what is found later may be of any age.
    """

    given: Mapping[str, frozenset[str]] = field(default_factory=dict)
    troubles: tuple[str, ...] = ()
    listed: bool = True


def take_acknowledgements(store: Path, *, known: frozenset[str]) -> Taken:
    """The heaters acknowledged since the last call, of the known ones; their files are removed.

    What cannot be removed is no acknowledgement: it would lift every lockout to come. Never raises
    OSError: frost protection must not end with the disk that the requests are on.
    """
    folder = store / FOLDER
    try:
        with os.scandir(folder) as entries:
            names = sorted(e.name for e in entries if fnmatch(e.name, "acknowledge-*.json"))
    except FileNotFoundError:
        return Taken()
    except OSError as error:
        trouble = (
            f"Acknowledgements cannot be read, and none is taken: {folder} ({error.strerror}). "
            "The folder must be the service's own."
        )
        return Taken(troubles=(trouble,), listed=False)
    given: dict[str, frozenset[str]] = {}
    troubles = []
    for name in names:
        try:
            heater, waits = _taken(folder / name)
        except (OSError, ValueError) as error:
            wrong = str(error).encode("utf-8", "replace").decode()  # a name may be any bytes
            troubles.append(f"A request could not be read and counts for nothing: {wrong}.")
        else:
            if heater in known:
                given[heater] = waits
    return Taken(given, tuple(troubles[:TOLD]))


def _taken(path: Path) -> tuple[str, frozenset[str]]:
    """The heater of one request and the rules that waited; the file is removed, read or not."""
    fault = None
    try:
        request = json.loads(_read(path))
        heater, waits = request["acknowledge"], request.get("waits", [])
    except OSError as error:
        fault = f"{path} ({error.strerror}); give it again as the user of the service"
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        fault = f"{path} (it holds no request)"
    try:
        path.unlink()
    except OSError as error:
        raise ValueError(f"{path} cannot be removed ({error.strerror})") from error
    if fault is None and not isinstance(heater, str):
        fault = f"{path} (it names no heater)"
    if fault is not None:
        raise ValueError(fault)
    rules = waits if isinstance(waits, list) else []
    return heater, frozenset(rule for rule in rules if isinstance(rule, str))


def _read(path: Path) -> bytes:
    """A small file's bytes. Anything else (a pipe, a link to a device) would hold up the tick."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW)
    try:
        # before anything is made of it: a folder would be refused there, and stay open
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(errno.EINVAL, "it is not a file")
        return os.read(handle, LIMIT_BYTES)
    finally:
        os.close(handle)
