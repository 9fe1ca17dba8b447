"""Files that are there whole or not at all, also after a power cut."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write a small private file; make its folder where there is none."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
    put_in_place(draft, path)


def put_in_place(draft: Path, path: Path) -> None:
    """Give a finished file its name, on disk when this returns."""
    sync(draft)
    draft.replace(path)
    sync(path.parent)


def sync(path: Path) -> None:
    """Have a file's content, or a folder's names, on disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
