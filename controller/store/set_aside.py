"""A store that cannot be used is moved aside under a name with the time. Nothing is deleted."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from pathlib import Path

from controller.store.database import FILE_NAME
from controller.store.whole_files import sync

SIDE_ENDINGS = ("-wal", "-shm")
_STEM = Path(FILE_NAME).stem


def set_aside(folder: Path, why: str, *, at_s: float) -> Path | None:
    """Move the store in a folder, with its side files, to a name of its own.

    Parameters
    ----------
    folder : Path
    why : str
        One word for the name, such as ``damaged``.
    at_s : float
        Now [UTC s].

    Returns
    -------
    Path or None
        Where the file lies now; None where there was nothing to move.
    """
    path = folder / FILE_NAME
    target = _free_name(folder, f"{_STEM}-{why}-{datetime.fromtimestamp(at_s, UTC):%Y%m%dT%H%M%SZ}")
    moved = False
    # The file itself first: what is killed in between leaves side files without it, which no
    # opening takes for those of a new store (see ``set_orphans_aside``).
    for ending in ("", *SIDE_ENDINGS):
        with contextlib.suppress(FileNotFoundError):
            path.with_name(FILE_NAME + ending).rename(target.with_name(target.name + ending))
            moved = True
    sync(folder)
    return target if moved else None


def set_orphans_aside(folder: Path, *, at_s: float) -> None:
    """Move side files aside that have lost their store: SQLite would drop what is in them."""
    side = [folder / (FILE_NAME + ending) for ending in SIDE_ENDINGS]
    if not (folder / FILE_NAME).exists() and any(path.exists() for path in side):
        set_aside(folder, "orphaned", at_s=at_s)


def damaged_stores(folder: Path) -> tuple[Path, ...]:
    """The stores that lie aside because they were damaged, by time; none that could be seen."""
    with contextlib.suppress(OSError):
        return tuple(sorted(folder.glob(f"{_STEM}-damaged-*.db")))
    return ()


def _free_name(folder: Path, stem: str) -> Path:
    taken = {path.name for path in folder.glob(f"{stem}*")}
    names = (f"{stem}.db", *(f"{stem}-{number}.db" for number in range(2, 10_000)))
    return folder / next(name for name in names if name not in taken)
