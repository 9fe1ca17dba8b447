"""Condensing waits for a steady clock, and does a step a minute."""

from __future__ import annotations

from controller.housekeeping import Housekeeping
from controller.records.instant import Instant
from controller.store.failures import StoreFailed

YEAR_S = 365.25 * 86_400.0


class Shelf:
    """A store that counts the steps asked of it."""

    def __init__(self, steps: int = 1_000_000) -> None:
        self.left, self.asked = steps, []
        self.error: Exception | None = None

    def condense(self, now_s: float) -> bool:
        self.asked.append(now_s)
        if self.error:
            raise self.error
        self.left -= 1
        return self.left >= 0


def run(shelf: Shelf, *, hours: float, jumps: dict[int, float] | None = None) -> int:
    """Ticks of ten seconds, with jumps of the wall clock at some of them; steps asked for."""
    housekeeping, utc_s = Housekeeping(shelf), 1.8e9
    begun = len(shelf.asked)
    for tick in range(int(hours * 360)):
        utc_s += 10.0 + (jumps or {}).get(tick, 0.0)
        housekeeping.tick(Instant(utc_s, 500.0 + 10.0 * tick))
    return len(shelf.asked) - begun


def test_a_step_a_minute_after_the_first_hour() -> None:
    """Two hours are an hour of waiting and sixty steps."""
    assert run(Shelf(), hours=2.0) == 60


def test_nothing_to_do_is_looked_at_again_in_an_hour() -> None:
    """A store in which all is done is left in peace."""
    assert run(Shelf(steps=0), hours=4.0) == 3


def test_a_clock_that_was_moved_is_not_believed_for_an_hour() -> None:
    """Forward by years, and back: each begins the hour anew."""
    assert run(Shelf(), hours=2.0, jumps={300: 10 * YEAR_S}) == 10
    assert run(Shelf(), hours=2.0, jumps={300: -600.0}) == 10
    assert run(Shelf(), hours=2.0, jumps={100: 10 * YEAR_S, 500: -10 * YEAR_S}) == 7
    assert run(Shelf(), hours=2.0, jumps={300: 5.0}) == 60


def test_a_failure_is_tried_again_in_an_hour() -> None:
    """Neither a store that fails nor anything unexpected stops the ticks."""
    for error in (StoreFailed("locked"), RuntimeError("out of the blue")):
        shelf = Shelf()
        shelf.error = error
        assert run(shelf, hours=4.0) == 3
