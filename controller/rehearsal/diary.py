"""What one method did with one building, minute by minute: all that a score is made from."""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from controller.records.site import Heater, Role
from controller.rehearsal.building import Building, true_values, value_for

Floats = NDArray[np.float64]

MINUTE_S = 60.0
SMOOTHING_S = 1200.0


class Diary:
    """Room air by zone, energy and command of one run.

    Room air and energy are the building's truth where it tells it, otherwise what it senses.
    Without a meter energy is the power sensed, without that the rating while the heater is on.

    Parameters
    ----------
    heater : Heater
    zones : sequence of str
        Ids of the zones that the heater serves.
    """

    def __init__(self, heater: Heater, zones: Sequence[str]) -> None:
        self._heater = heater
        self._zones = tuple(zones)
        self._times_s: list[float] = []
        self._airs: dict[str, list[float]] = {zone: [] for zone in zones}
        self._energy_kwh: list[float] = []
        self._commands: list[tuple[float, bool]] = []
        self._last_s: float | None = None
        self._counted_kwh = 0.0
        self._power_w: float | None = None

    def note(self, building: Building, values: Mapping[str, float], *, at_s: float) -> None:
        """Keep this moment if a minute has passed since the last one kept."""
        self._count(at_s)
        self._power_w = value_for(values, Role.POWER, self._heater.id)
        if self._times_s and at_s - self._times_s[-1] < MINUTE_S:
            return
        truth = true_values(building)
        self._times_s.append(at_s)
        self._energy_kwh.append(self._energy(truth, values))
        for zone in self._zones:
            air_c = value_for(truth, Role.AIR, zone)
            sensed_c = value_for(values, Role.AIR, zone)
            known_c = sensed_c if air_c is None else air_c
            self._airs[zone].append(math.nan if known_c is None else known_c)

    def command(self, heat: bool, *, at_s: float) -> None:
        """Keep a command where it changes."""
        if not self._commands or self._commands[-1][1] != heat:
            self._commands.append((at_s, heat))

    def _count(self, at_s: float) -> None:
        """Add up the energy since the last call, for buildings without a meter."""
        if self._last_s is not None and self._commands:
            rated_w = self._heater.rating_w if self._commands[-1][1] else 0.0
            power_w = rated_w if self._power_w is None else self._power_w
            self._counted_kwh += power_w * (at_s - self._last_s) / 3.6e6
        self._last_s = at_s

    def _energy(self, truth: Mapping[str, float], values: Mapping[str, float]) -> float:
        for source in (truth, values):
            metered = value_for(source, Role.ENERGY, self._heater.id)
            if metered is not None and math.isfinite(metered):
                return metered
        return self._counted_kwh

    @property
    def end_s(self) -> float:
        """The last moment kept (UTC seconds), -inf where nothing was."""
        return self._times_s[-1] if self._times_s else -math.inf

    def air_c(self, zone: str, since_s: float, until_s: float) -> Floats:
        """Room air by the minute within a span, shape (n,) [°C]."""
        first, last = bisect_left(self._times_s, since_s), bisect_left(self._times_s, until_s)
        return np.array(self._airs[zone][first:last])

    def smoothed_air_c(self, zone: str, at_s: float) -> float:
        """Median room air of the 20 minutes around a moment [°C]; NaN where nothing was kept.

        A median, because people come in by a door: minutes of it say nothing of the room.
        """
        around = self.air_c(zone, at_s - SMOOTHING_S / 2, at_s + SMOOTHING_S / 2)
        known = around[np.isfinite(around)]
        return float(np.median(known)) if known.size else math.nan

    def smoothed_course_c(self, zone: str, since_s: float, until_s: float) -> Floats:
        """Room air of a span, each minute the median of the 20 around it, shape (n,) [°C].

        Minutes in which nothing was known are left out.
        """
        half_s = SMOOTHING_S / 2
        around = self.air_c(zone, since_s - half_s, until_s + half_s)
        known = around[np.isfinite(around)]
        width = round(SMOOTHING_S / MINUTE_S) + 1
        if known.size < width:
            return known
        smoothed: Floats = np.median(np.lib.stride_tricks.sliding_window_view(known, width), axis=1)
        return smoothed

    def energy_kwh(self, since_s: float, until_s: float) -> float:
        """Energy used within a span [kWh]."""
        if not self._times_s:
            return 0.0
        times, counts = np.array(self._times_s), np.array(self._energy_kwh)
        start, end = np.interp([since_s, until_s], times, counts)
        return float(end - start)

    def on_spans(self, since_s: float, until_s: float) -> list[tuple[float, float]]:
        """When the heater was told on within a span: (start, end) pairs, clipped to it."""
        edges = [*self._commands, (self.end_s, False)]
        spans = []
        for (start_s, heat), (end_s, _) in itertools.pairwise(edges):
            if heat and end_s > since_s and start_s < until_s:
                spans.append((max(start_s, since_s), min(end_s, until_s)))
        return spans
