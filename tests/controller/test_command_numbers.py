"""What a relay can tell newer commands by, through restarts, lost stores and clocks."""

from __future__ import annotations

import pytest

from controller.command_numbers import gap_s, next_numbers, numbers_at_start
from controller.records.decision import HeaterState
from controller.records.instant import Instant
from tests.controller.builders import START, START_S

UNSET = Instant(20.0, 30.0)
"""A machine without a clock of its own, half a minute after it was switched on."""


def test_a_store_that_was_lost_while_the_clock_was_not_set_is_outdone_once_it_is() -> None:
    """The relay remembers numbers of today's size; what began at 1970 must get past them."""
    taken = int(START_S) + 400
    sequence, issued_s = numbers_at_start(HeaterState(), UNSET)
    state = HeaterState(sequence=sequence, issued_s=issued_s)
    assert state.sequence < 100
    sequence, issued_s = next_numbers(state, Instant(UNSET.utc_s + 10.0, 40.0), UNSET.mono_s)
    assert state.sequence < sequence < 100
    set_now = Instant(START_S + 3600.0, 50.0)
    found, found_s = next_numbers(HeaterState(sequence=sequence, issued_s=issued_s), set_now, 40.0)
    assert found > taken
    assert found_s == set_now.utc_s


@pytest.mark.parametrize(
    ("before", "after"),
    [(1_499_999_999, int(START_S)), (1_500_000_000, 1_500_000_001), (int(START_S) - 5, None)],
)
def test_one_that_began_with_a_set_clock_only_counts(before: int, after: int | None) -> None:
    """Ten times as slowly as the seconds go by, so that a lost store can always catch up."""
    found, _ = next_numbers(HeaterState(sequence=before, issued_s=START_S), START, START.mono_s)
    assert found == (before + 1 if after is None else after)


@pytest.mark.parametrize(
    ("mono_s", "utc_s", "gap"),
    [
        (10.0, 10.0, 10.0),
        (0.5, 0.5, 0.5),
        (0.0, 0.0, 0.0),
        (-0.5, -0.5, None),  # another boot
        (10.0, 15.0, 10.0),
        (10.0, 15.01, None),
        (10.0, 5.0, 10.0),
        (10.0, 4.99, None),
        (1.0, -3.0, 1.0),
    ],
)
def test_time_between_two_processes_is_what_both_clocks_tell(
    mono_s: float, utc_s: float, gap: float | None
) -> None:
    """Within five seconds, by the monotonic one."""
    now = Instant(START.utc_s + utc_s, START.mono_s + mono_s)
    assert gap_s(START, now) == gap
    assert gap_s(None, now) is None


@pytest.mark.parametrize(
    ("mono_s", "leap_s"),
    [
        (0.0, 0.0),
        (0.5, 0.5),
        (45.0, 45.0),
        (70.0, 70.0),
        (70.5, 70.0),
        (3600.0, 70.0),
        (-0.5, 70.0),
    ],
)
def test_a_new_process_begins_past_what_may_have_been_sent(mono_s: float, leap_s: float) -> None:
    """As long as the pause, a row's time at most; all of that where the machine began anew."""
    ticked = Instant(START_S, 40.0)
    old = HeaterState(sequence=int(START_S) + 1000, issued_s=START_S, ticked=ticked)
    found = numbers_at_start(old, Instant(START_S - 3600.0, 40.0 + mono_s))
    assert found == (int(START_S) + 1020, START_S + leap_s)


def test_without_a_stored_tick_a_rows_time_is_leapt_over() -> None:
    """As a store of an earlier version, or one that was half read, has none."""
    found = numbers_at_start(HeaterState(sequence=7, issued_s=START_S), START)
    assert found == (int(START_S), START_S + 70.0)
