"""How a log's column stands to what the store holds already."""

from __future__ import annotations

from enum import Enum
from typing import Protocol

from controller.earlier_log.csv_file import Trace
from controller.earlier_log.resampling import GRID_S, samples
from controller.records.site import Site


class Standing(Enum):
    """What importing a column would do."""

    NEW = "new"
    """It adds samples and contradicts none."""
    THERE = "there"
    """Every sample of it is there already."""
    DIFFERENT = "different"
    """Something else was imported before for the same time."""


class Stored(Protocol):
    """The questions to the store: its reader answers them."""

    def samples(self, sensor: str, since_s: float, until_s: float) -> list[tuple[float, float]]:
        """Good readings in [since_s, until_s) as (time, value), by time."""
        ...

    def span_s(self, sensor: str, since_s: float, until_s: float) -> tuple[float, float] | None:
        """Times of the first and last good reading in [since_s, until_s)."""
        ...


def standing(trace: Trace, stored: Stored) -> Standing:
    """How a column stands to what was imported before.

    The slots at both ends are left out: logs that follow one another share them.
    """
    first_s, last_s = trace.times_s[0] + GRID_S, trace.times_s[-1] - GRID_S
    there = dict(stored.samples(trace.column.id, first_s, last_s))
    if not there:
        return Standing.NEW
    new = {s.at_s: s.value for s in samples(trace) if first_s <= s.at_s < last_s}
    if there == new:
        return Standing.THERE
    contradicts = any(new.get(at_s) != value for at_s, value in there.items())
    return Standing.DIFFERENT if contradicts else Standing.NEW


def measured(trace: Trace, site: Site, stored: Stored) -> tuple[str, float, float] | None:
    """A sensor of the site that measured the same within the log's span, from when to when."""
    for sensor in site.sensors:
        if (sensor.role, sensor.subject) == (trace.column.role, trace.column.subject):
            span = stored.span_s(sensor.id, trace.times_s[0], trace.times_s[-1])
            if span is not None:
                return sensor.id, *span
    return None
