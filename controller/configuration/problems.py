"""What is wrong in a configuration file, where, and what would be right."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice

_USER_INFO = re.compile(r"(?<!\S)\S*@")


@dataclass(frozen=True, slots=True)
class Spot:
    """A place in a file; lines and columns count from 1."""

    file: str
    line: int = 1
    column: int = 1


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault, written as ``file:line:column: what is wrong; what would be right``."""

    file: str
    line: int
    column: int
    wrong: str
    right: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.wrong}; {self.right}"


class ConfigurationError(Exception):
    """The configuration cannot be used. ``problems`` holds every fault of all its files."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = list(problems)

    @property
    def in_short(self) -> str:
        """The first problem, and how many more there are."""
        others = len(self.problems) - 1
        more = f" (and {others} more; see `slabtide check`)" if others else ""
        return f"{self.problems[0]}{more}."


class Findings:
    """The problems found so far, across files."""

    def __init__(self) -> None:
        self._problems: list[Problem] = []

    def add(self, spot: Spot, wrong: str, right: str) -> None:
        """Note one problem."""
        self._problems.append(Problem(spot.file, spot.line, spot.column, wrong, right))

    def sorted(self) -> list[Problem]:
        """Give all problems: files in the order in which they were found faulty, then by place."""
        files = list(dict.fromkeys(problem.file for problem in self._problems))
        return sorted(self._problems, key=lambda p: (files.index(p.file), p.line, p.column))


def nearest(word: str, known: Iterable[str], *, most: int = 100) -> str | None:
    """Give the known word that a mistyped one was most likely meant to be.

    Only the first ``most`` known words are compared: comparing is slow, and a file full of
    mistakes must not hold up a running service.
    """
    close = difflib.get_close_matches(word[:60], list(islice(known, most)), n=1)
    return close[0] if close else None


def choices(known: Iterable[str]) -> str:
    """List known words for a message, cut short where there are many."""
    words = sorted(known)
    shown = ", ".join(words[:15])
    return f"{shown} and {len(words) - 15} more" if len(words) > 15 else shown


def shown(text: str) -> str:
    """Quote what an owner wrote, cut short and with control characters made visible.

    What could be a password in an address (``user:password@host``) is not repeated.
    """
    text = _USER_INFO.sub("...@", text)
    return repr(text if len(text) <= 40 else text[:37] + "...")
