"""The process around the guard: its scheduler, on a wall clock that is set."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from controller import service
from controller.clock import SteppedClock
from controller.configuration import Configuration
from controller.last_good import load_or_last_good
from controller.planner_process import LEARN_TIME_S
from controller.records.decision import Notice
from controller.records.instant import Instant
from controller.records.limits import TICK_S
from controller.service import _EveryTick, _paced_tick
from controller.watchdog import HANG_S, Watchdog

EXAMPLES = Path(__file__).parents[2] / "config"
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


class SlowGuard:
    """A guard whose tick takes a while, and whose planner takes much longer; tells the watchdog."""

    def __init__(self, real: SteppedClock, watchdog: Watchdog) -> None:
        self._real, self._watchdog = real, watchdog
        self.unpatted_s: list[float] = []

    def tick(self) -> None:
        self._real.advance(HANG_S / 2.0)
        self.unpatted_s.append(self._watchdog.since_pat_s())

    def finish_planning(self) -> None:
        self._real.advance(LEARN_TIME_S)
        self.unpatted_s.append(self._watchdog.since_pat_s())


def test_a_slow_planner_is_no_hung_tick_on_a_paced_clock() -> None:
    """The watchdog counts in the tick alone: a fit may take longer than it waits."""
    real = SteppedClock(Instant(0.0, 0.0))
    watchdog = Watchdog(real)
    guard = SlowGuard(real, watchdog)
    parts = SimpleNamespace(
        guard=guard,
        housekeeping=SimpleNamespace(tick=lambda now: None),
        sensors=SimpleNamespace(received=0),
        relays={},
    )
    pace = SimpleNamespace(clock_is_set=lambda: 0, done=lambda commands: None)
    _paced_tick(parts, pace, real, watchdog, real)
    assert guard.unpatted_s == [HANG_S / 2.0, 0.0]


def test_an_edit_while_the_files_are_loaded_is_taken_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the files looked like is noted before they are read."""
    for path in EXAMPLES.glob("*.yaml"):
        shutil.copy(path, tmp_path)

    def load(site_path: Path) -> tuple[Configuration, Notice | None]:
        loaded = load_or_last_good(site_path)
        (tmp_path / "bookings.yaml").write_text("bookings: {}\n")
        return loaded

    monkeypatch.setattr(service, "load_or_last_good", load)
    watch = service._begin_watch(tmp_path / "site.yaml")
    assert watch.current.bookings.bookings
    assert watch.look()
    assert not watch.current.bookings.bookings
