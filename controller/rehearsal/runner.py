"""Simulated time: a building and a method, tick by tick, into a diary."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

from controller.rehearsal.building import Building, advanced, check_now, sensed_by
from controller.rehearsal.diary import Diary


class Driver(Protocol):
    """Anything that switches a heater by what is sensed."""

    def heat(self, now_s: float, values: Mapping[str, float]) -> bool:
        """The command at this moment."""
        ...


@dataclass(frozen=True, slots=True)
class Span:
    """The simulated time of a run (UTC seconds) and the length of its ticks [s]."""

    start_s: float
    end_s: float
    tick_s: float


def run(
    building: Building,
    driver: Driver,
    span: Span,
    *,
    diary: Diary,
    spec: str,
    progress: Callable[[float], None],
) -> None:
    """Run one method on one building from start to end.

    The diary is filled as time passes, so that it holds what was done when a run is broken off.
    ``progress`` is told the share done [0..1] at each tick; ``spec`` names the building in
    messages.

    Raises
    ------
    BuildingError
        Where the building fails or its clock does not move with ``advance``.
    """
    ticks = round((span.end_s - span.start_s) / span.tick_s)
    for number in range(ticks):
        now_s = span.start_s + number * span.tick_s
        values = sensed_by(building, spec=spec)
        diary.note(building, values, at_s=now_s)
        heat = driver.heat(now_s, values)
        diary.command(heat, at_s=now_s)
        advanced(building, seconds=span.tick_s, heater_on=heat, spec=spec)
        if number == 0:
            expected = datetime.fromtimestamp(span.start_s + span.tick_s, tz=UTC)
            check_now(building, expected=expected, spec=spec)
        progress((number + 1) / ticks)
    diary.note(building, sensed_by(building, spec=spec), at_s=span.start_s + ticks * span.tick_s)
