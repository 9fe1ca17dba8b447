"""Windows of several hours over which the response's equation is integrated."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.series import FloatArray, History, IntArray

WINDOW_S = 12 * 3600.0
"""Length of the windows: about a preheat, so that what is learnt is what will be asked [s]."""

STRIDE_S = 1800.0
"""Time between the beginnings of two windows [s]."""

BLOCK_S = 48 * 3600.0
"""Windows in different blocks of this length count as independent [s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """The windows of a history that hold no gap, and their integrals.

    Parameters
    ----------
    step_s : float
        Time between samples [s].
    length, stride : int
        Length of a window, and time between the beginnings of two, in samples.
    start : array, shape (m,)
        Sample at which each window begins.
    rise_k : array, shape (m,)
        Air at its end less air at its beginning [K].
    undelayed : array, shape (m, 3)
        -∫(T - Te) dt [K s], ∫I dt [J/m2] and the length [s] of each.
    energy_j : array, shape (n,)
        Heat delivered from the history's beginning up to each sample [J].
    """

    step_s: float
    length: int
    stride: int
    start: IntArray
    rise_k: FloatArray
    undelayed: FloatArray
    energy_j: FloatArray

    @property
    def new_share(self) -> float:
        """Share of a window that the one before does not hold."""
        return self.stride / self.length

    @property
    def covered_s(self) -> float:
        """Time covered by the beginnings of the windows [s]."""
        return len(self.start) * self.stride * self.step_s

    @property
    def block(self) -> IntArray:
        """Number of the block in which each window begins, from 0, shape (m,)."""
        block = (self.start * self.step_s // BLOCK_S).astype(np.int64)
        return np.asarray(block - block.min())

    def design(self, dead_time_s: float) -> FloatArray:
        """Regressors of (a, b, c, e) for one dead time, shape (m, 4)."""
        sample_s = np.arange(len(self.energy_j)) * self.step_s
        begin_s = self.start * self.step_s - dead_time_s
        end_s = begin_s + self.length * self.step_s
        # Heat is constant over a step, so the energy between samples lies on a straight line.
        before_j, until_j = (np.interp(at_s, sample_s, self.energy_j) for at_s in (begin_s, end_s))
        loss, sun, length = self.undelayed.T
        return np.column_stack((loss, until_j - before_j, sun, length))

    def only(self, kept: NDArray[np.bool_]) -> Windows:
        """The windows that a mask keeps."""
        return replace(
            self,
            start=self.start[kept],
            rise_k=self.rise_k[kept],
            undelayed=self.undelayed[kept],
        )


def windows_of(history: History, *, longest_dead_time_s: float) -> Windows:
    """All windows of a history from which everything is known, the longest dead time back."""
    step_s = history.step_s
    length, stride = round(WINDOW_S / step_s), max(1, round(STRIDE_S / step_s))
    before = math.ceil(longest_dead_time_s / step_s) + 1
    start = history.starts(before=before, after=length, every=stride)
    end = start + length
    excess = _integral(history.air_c - history.outdoor_c, step_s)
    sun = _integral(history.sun_w_m2, step_s)
    return Windows(
        step_s=step_s,
        length=length,
        stride=stride,
        start=start,
        rise_k=history.air_c[end] - history.air_c[start],
        undelayed=np.column_stack(
            (excess[start] - excess[end], sun[end] - sun[start], (end - start) * step_s)
        ),
        energy_j=np.concatenate(([0.0], np.cumsum(history.power_w[:-1]) * step_s)),
    )


def _integral(values: FloatArray, step_s: float) -> FloatArray:
    """Trapezoidal integral from sample 0, shape (n,)."""
    steps = 0.5 * (values[:-1] + values[1:]) * step_s
    return np.concatenate(([0.0], np.cumsum(steps)))
