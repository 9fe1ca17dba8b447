"""What the judge says when something must not be."""

from __future__ import annotations

from typing import Any

from controller.records.instant import Instant


class Violation(AssertionError):
    """An invariant does not hold."""

    def __init__(self, what: str, now: Instant, picture: str, diary: list[str]) -> None:
        last = "\n  ".join(diary[-25:])
        super().__init__(
            f"{what}\n  at {now.mono_s:.0f} s (wall {now.utc_s:.0f})\n  {picture}\n  {last}"
        )
        self.what = what
        self._made_of = (what, now, picture, diary[-25:])

    def __reduce__(self) -> tuple[type[Violation], tuple[Any, ...]]:
        """How it comes out of a child process."""
        return type(self), self._made_of
