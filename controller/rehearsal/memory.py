"""The history of a rehearsal, kept in memory in the shape that planning reads from the store."""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right

import numpy as np
from numpy.typing import NDArray

from controller.records.forecast import Forecast
from controller.records.plan import Arrival, Plan

SAMPLE_S = 60.0
"""Least distance of two kept samples of one sensor [s]."""


class Memory:
    """Samples by sensor, one a minute, changes of the command by heater, forecasts, promises."""

    def __init__(self) -> None:
        self._samples: dict[str, tuple[array[float], array[float]]] = {}
        self._changes: dict[str, tuple[list[float], list[bool]]] = {}
        self._forecasts: list[Forecast] = []
        self._promises: dict[tuple[str, str], tuple[list[float], list[Arrival]]] = {}

    def add_sample(self, sensor: str, *, at_s: float, value: float) -> None:
        """Keep a good reading; times must not go back."""
        times_s, values = self._samples.setdefault(sensor, (array("d"), array("d")))
        if not times_s or at_s - times_s[-1] >= SAMPLE_S:
            times_s.append(at_s)
            values.append(value)

    def add_command(self, heater: str, *, at_s: float, heat: bool) -> None:
        """Keep a command where it changes; times must not go back."""
        times_s, commands = self._changes.setdefault(heater, ([], []))
        if not commands or commands[-1] != heat:
            times_s.append(at_s)
            commands.append(heat)

    def add_forecast(self, forecast: Forecast) -> None:
        """Keep a forecast; times of receipt must not go back."""
        self._forecasts.append(forecast)

    def add_plan(self, plan: Plan) -> None:
        """Keep what a plan promises; times must not go back."""
        for arrival in (a for outlook in plan.outlooks for a in outlook.arrivals):
            kept = self._promises.setdefault((plan.heater, arrival.session), ([], []))
            kept[0].append(plan.made_s)
            kept[1].append(arrival)

    def samples(self, sensor: str, since_s: float, until_s: float) -> NDArray[np.float64]:
        """Samples of a sensor within ``since_s`` <= time < ``until_s``, ascending, shape (n, 2)."""
        times_s, values = self._samples.get(sensor, (array("d"), array("d")))
        first, last = bisect_left(times_s, since_s), bisect_left(times_s, until_s)
        return np.stack((times_s[first:last], values[first:last]), axis=1)

    def heating(self, heater: str, since_s: float, until_s: float) -> list[tuple[float, bool]]:
        """Changes of the command before ``until_s``, with the one in force at ``since_s`` first."""
        times_s, commands = self._changes.get(heater, ([], []))
        first = max(0, bisect_right(times_s, since_s) - 1)
        last = bisect_left(times_s, until_s)
        return list(zip(times_s[first:last], commands[first:last], strict=True))

    def promised(self, heater: str, session: str, before_s: float) -> Arrival | None:
        """What the last plan made before a moment promised a session; None where nothing."""
        made_s, arrivals = self._promises.get((heater, session), ([], []))
        last = bisect_right(made_s, before_s) - 1
        return arrivals[last] if last >= 0 else None

    def forecasts(self, since_s: float, until_s: float) -> list[Forecast]:
        """Forecasts received within ``since_s`` <= time < ``until_s``, ascending."""
        return [f for f in self._forecasts if since_s <= f.received_s < until_s]
