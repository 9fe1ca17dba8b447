"""Sequence and time of issue: what tells a relay that a command is newer than all before it.

Both go on through crashes, restarts, a store that was lost and a clock that was set back, and
neither runs ahead of time: what a relay has taken can always be outdone.
"""

from __future__ import annotations

from controller.records.decision import HeaterState
from controller.records.instant import Instant

UNSTORED_S = 70.0
"""Longest time between two rows of the record, and a tick [s]."""
UNSTORED_TICKS = 20
"""More commands than are ever made between two rows of the record. Few, so that a crash loop does
not count faster than time: what is lost with a store is made good by the clock."""
CLOCKS_AGREE_S = 5.0
"""How far two clocks may be apart on the time between two processes [s]: network time slews."""
UNSET_CLOCK_S = 1.5e9
"""A clock that shows less, July 2017, has not been set yet [s]."""
_LEAST_S = 0.001


def numbers_at_start(old: HeaterState, now: Instant) -> tuple[int, float]:
    """Sequence and time of issue [UTC s] from which a new process goes on.

    Parameters
    ----------
    old : HeaterState
        The last that was stored; an empty one where none was.
    now : Instant

    Notes
    -----
    The sequence starts from the seconds since 1970, of which there are ten to a tick, so that a
    store that failed or was lost cannot bring it back below what a relay has seen. The time of
    issue starts past what a clock that is set back since would not get past by itself.
    """
    sequence = max(old.sequence + UNSTORED_TICKS, int(now.utc_s))
    return sequence, old.issued_s + _unstored_s(old.ticked, now)


def next_numbers(
    state: HeaterState, now: Instant, issued_mono_s: float | None
) -> tuple[int, float]:
    """Sequence and time of issue [UTC s] of the next command.

    Parameters
    ----------
    state : HeaterState
    now : Instant
    issued_mono_s : float or None
        When the last command of this process was issued [s].

    Notes
    -----
    The time of issue runs on whatever the wall clock does. A sequence that began while the clock
    was not set, and the store lost, leaps to the time once that is known.
    """
    leap = int(now.utc_s) if state.sequence < UNSET_CLOCK_S else 0
    ran_s = _LEAST_S if issued_mono_s is None else now.mono_s - issued_mono_s
    return max(state.sequence + 1, leap), max(now.utc_s, state.issued_s + ran_s)


def gap_s(ticked: Instant | None, now: Instant) -> float | None:
    """Time since the last stored tick, None where the two clocks do not tell the same of it.

    The monotonic clock runs on between two processes and starts anew with the machine; the wall
    clock runs on through both and may be set.
    """
    if ticked is None:
        return None
    found_s = now.mono_s - ticked.mono_s
    agree = abs(now.utc_s - ticked.utc_s - found_s) <= CLOCKS_AGREE_S
    return found_s if found_s >= 0.0 and agree else None


def _unstored_s(ticked: Instant | None, now: Instant) -> float:
    """Longest time for which the process before may have sent commands past its last row.

    Never longer than the time since then, where the machine has run on: crash loops do not run
    ahead of time.
    """
    elapsed_s = now.mono_s - ticked.mono_s if ticked else UNSTORED_S
    return min(elapsed_s, UNSTORED_S) if elapsed_s >= 0.0 else UNSTORED_S
