"""What is wrong in an owner's log, where, and what would be right."""

from __future__ import annotations

from collections.abc import Sequence

from controller.configuration.problems import Problem

MOST = 20
"""After so many problems reading stops: what follows is mostly the same mistake again."""


class LogError(Exception):
    """The log cannot be used. ``problems`` holds those found, ``MOST`` at most."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = tuple(problems)


class Unreadable(ValueError):
    """One cell cannot be meant.

    Parameters
    ----------
    wrong, right : str
        What it is, and what would be right.
    """

    def __init__(self, wrong: str, right: str) -> None:
        super().__init__(wrong)
        self.wrong, self.right = wrong, right
