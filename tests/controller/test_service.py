"""The process around the guard: its scheduler, on a wall clock that is set."""

from datetime import UTC, datetime, timedelta

from controller.records.limits import TICK_S
from controller.service import _EveryTick

NOON = datetime(2027, 1, 15, 12, 0, tzinfo=UTC)
TICK = timedelta(seconds=TICK_S)


def test_ticks_come_every_ten_seconds() -> None:
    """The next one is due a tick after the last."""
    assert _EveryTick().get_next_fire_time(NOON, NOON + timedelta(seconds=0.2)) == NOON + TICK


def test_a_clock_set_forward_by_years_is_one_missed_tick() -> None:
    """Not a list of all that were missed, which would fill the memory."""
    later = NOON + timedelta(days=9862)
    assert _EveryTick().get_next_fire_time(NOON, later) == later + TICK


def test_the_first_tick_follows_the_start() -> None:
    """Without a last one it counts from now."""
    assert _EveryTick().get_next_fire_time(None, NOON) == NOON + TICK
