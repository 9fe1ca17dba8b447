"""What the sensors make of the truth: offsets, noise, quantisation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from controller.records.site import TEMPERATURES, Role

SIXTEENTH_K = 1.0 / 16.0
_BLOCK = 4096


@dataclass(frozen=True, slots=True)
class Grade:
    """How good a sensor is: spread of its fixed offset, noise, and step, in its own unit.

    ``relative`` gives noise and offset as a share of the value.
    """

    offset_sd: float
    noise_sd: float
    step: float
    relative: bool = False


_TEMPERATURE = Grade(offset_sd=0.1, noise_sd=0.03, step=SIXTEENTH_K)
_GRADES: Mapping[Role, Grade] = {
    **dict.fromkeys(TEMPERATURES, _TEMPERATURE),
    Role.POWER: Grade(offset_sd=0.01, noise_sd=0.003, step=1.0, relative=True),
    Role.ENERGY: Grade(offset_sd=0.0, noise_sd=0.0, step=0.01),
    Role.PRESSURE: Grade(offset_sd=0.03, noise_sd=0.004, step=0.01),
    Role.IRRADIANCE: Grade(offset_sd=0.03, noise_sd=0.01, step=1.0, relative=True),
    Role.WIND: Grade(offset_sd=0.0, noise_sd=0.1, step=0.1),
    Role.RELAY_STATE: Grade(offset_sd=0.0, noise_sd=0.0, step=1.0),
}
_NEVER_BELOW_0 = frozenset({Role.POWER, Role.ENERGY, Role.PRESSURE, Role.IRRADIANCE, Role.WIND})


@dataclass(frozen=True, slots=True)
class _Fitted:
    """One sensor as it was fitted: its grade, its fixed offset, and where its scale ends."""

    grade: Grade
    offset: float
    lowest: float


class Sensors:
    """The sensors of one workshop; offsets are drawn once for each key, noise at each reading."""

    def __init__(self, *, seed: int) -> None:
        self._rng = np.random.default_rng([seed, 104729])
        self._seed = seed
        self._noise: list[float] = []
        self._fitted: dict[str, _Fitted] = {}

    def read(self, key: str, value: float) -> float:
        """What the sensor behind ``role`` or ``role@subject`` says of a true value."""
        sensor = self._fitted.get(key) or self._fit(key)
        grade = sensor.grade
        if grade.noise_sd == 0.0:
            return value // grade.step * grade.step  # a counter or a contact is not noisy
        unit = abs(value) if grade.relative else 1.0
        wrong = sensor.offset + grade.noise_sd * self._draw()
        seen = round((value + unit * wrong) / grade.step) * grade.step
        return max(sensor.lowest, seen)

    def _fit(self, key: str) -> _Fitted:
        role = Role(key.partition("@")[0])
        grade = _GRADES[role]
        letters = list(key.encode())
        rng = np.random.default_rng([self._seed, *letters])
        offset = float(grade.offset_sd * np.clip(rng.standard_normal(), -2.0, 2.0))
        lowest = 0.0 if role in _NEVER_BELOW_0 else -math.inf
        self._fitted[key] = _Fitted(grade, offset, lowest)
        return self._fitted[key]

    def _draw(self) -> float:
        if not self._noise:
            self._noise = self._rng.standard_normal(_BLOCK).tolist()
        return self._noise.pop()
