"""From rows of any step to one sample at each of the moments that history is read on.

Those moments are the whole multiples of ``GRID_S`` since 1970: whoever reads history in slots of
that length finds one sample in each, and energy is kept whatever the log's own step was.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from controller.earlier_log.csv_file import Trace
from controller.records.site import Role

GRID_S = 300.0
"""Time between two samples [s]."""
SHORTEST_REACH_S = 900.0
"""Rows up to this far apart are joined, however short the log's usual step [s]."""
REACH = 1.5
"""Rows of power further apart than so many usual steps have a gap between them [-]."""
STRAIGHT_REACH = 2.1
"""The same for all that goes in a straight line, and for power that is the same on both sides: one
row may be missing, or left out [-]."""
SAME = 0.1
"""Powers that differ by no more than this share of the log's greatest are the same [-]."""
LEAST_COVER = 0.5
"""Share of a slot for which power must be known [-]."""


class Sample(NamedTuple):
    """A value at a moment [UTC s, house unit]."""

    at_s: float
    value: float


def samples(trace: Trace) -> Iterator[Sample]:
    """A column's samples, by time.

    Power holds from its row to the next; everything else goes in a straight line.
    """
    times_s, values, usual_s = trace.times_s, trace.values, trace.usual_step_s
    if trace.column.role is Role.POWER:
        reach_s = max(REACH * usual_s, SHORTEST_REACH_S)
        return held(times_s, values, usual_s=usual_s, reach_s=reach_s)
    return straight(times_s, values, reach_s=max(STRAIGHT_REACH * usual_s, SHORTEST_REACH_S))


def straight(
    times_s: Sequence[float], values: Sequence[float], *, reach_s: float
) -> Iterator[Sample]:
    """The mean of the rows around each moment; where there are none, the line between neighbours.

    Parameters
    ----------
    times_s, values : sequences of float, of one length
        Rows, ascending [UTC s, any unit].
    reach_s : float
        Neighbours further apart are not joined [s].
    """
    row, count = 0, len(times_s)
    for slot in _slots(times_s[0], times_s[-1]):
        at_s = slot * GRID_S
        first = row
        while row < count and times_s[row] < at_s + 0.5 * GRID_S:
            row += 1
        if row > first:
            yield Sample(at_s, sum(values[first:row]) / (row - first))
        elif 0 < row < count and times_s[row] - times_s[row - 1] <= reach_s:
            share = (at_s - times_s[row - 1]) / (times_s[row] - times_s[row - 1])
            yield Sample(at_s, values[row - 1] + share * (values[row] - values[row - 1]))


def held(
    times_s: Sequence[float], values: Sequence[float], *, usual_s: float, reach_s: float
) -> Iterator[Sample]:
    """The mean over each slot of values that hold until the next row.

    Before a gap, and at the end, a value holds for the log's usual step. One missing row is no gap
    where the power before and after it is the same: a heater that was off, or on, all the while.

    Parameters
    ----------
    times_s, values : sequences of float, of one length
        Rows, ascending [UTC s, any unit].
    usual_s, reach_s : float
        The usual step, and the longest that is no gap [s].
    """
    slot, covered_s, total = math.floor(times_s[0] / GRID_S), 0.0, 0.0
    for begin_s, end_s, value in _stretches(times_s, values, usual_s=usual_s, reach_s=reach_s):
        for part in range(math.floor(begin_s / GRID_S), math.ceil(end_s / GRID_S)):
            if part != slot:
                yield from _mean(slot, covered_s, total)
                slot, covered_s, total = part, 0.0, 0.0
            inside_s = min(end_s, (part + 1) * GRID_S) - max(begin_s, part * GRID_S)
            covered_s += inside_s
            total += inside_s * value
    yield from _mean(slot, covered_s, total)


def _slots(first_s: float, last_s: float) -> range:
    """Numbers of the moments that have a row at or around them, from the first to the last."""
    return range(math.floor(first_s / GRID_S + 0.5), math.floor(last_s / GRID_S + 0.5) + 1)


def _stretches(
    times_s: Sequence[float], values: Sequence[float], *, usual_s: float, reach_s: float
) -> Iterator[tuple[float, float, float]]:
    """From when to when each value holds."""
    same = SAME * max((abs(value) for value in values), default=0.0)
    for row, value in enumerate(values):
        begin_s, last = times_s[row], row + 1 == len(times_s)
        until_s = math.inf if last else times_s[row + 1]
        steady = not last and abs(values[row + 1] - value) <= same
        longest_s = max(reach_s, STRAIGHT_REACH * usual_s) if steady else reach_s
        end_s = until_s if until_s - begin_s <= longest_s else min(until_s, begin_s + usual_s)
        yield begin_s, end_s, value


def _mean(slot: int, covered_s: float, total: float) -> Iterator[Sample]:
    if covered_s >= LEAST_COVER * GRID_S:
        yield Sample(slot * GRID_S, total / covered_s)
