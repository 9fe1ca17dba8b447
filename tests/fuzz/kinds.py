"""What a kind of bad input is: it makes a case from a chance, and checks what becomes of it."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Protocol


class Kind(Protocol):
    """One sort of input with the promise that it is held to.

    Attributes
    ----------
    name : str
        On the command line and in reports.
    share : float
        How many cases of it there are to one of the most frequent kind.
    """

    name: str
    share: float

    def __init__(self, folder: Path) -> None:
        """Get ready; ``folder`` is empty, and this kind's own."""
        ...

    def make(self, chance: random.Random) -> object:
        """Make a case."""
        ...

    def check(self, case: object) -> None:
        """Feed it in; AssertionError, or whatever else is raised, is a fault that was found."""
        ...


def check_printable(text: str, *, most: int) -> None:
    """A text for the owner: of one line, not too long, nothing in it that moves the cursor."""
    assert len(text) <= most, f"{len(text)} characters"
    assert text.isprintable(), repr(text)
    text.encode("utf-8")
