"""A history on the even steps that networks are fitted and tracked on, and where it has holes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from models.series import FloatArray, History, IntArray, Series, prepare

BoolArray = NDArray[np.bool_]


class Seen(Enum):
    """What was measured in a stretch of samples."""

    NOTHING = 0
    AIR = 1
    AIR_AND_SLAB = 2


@dataclass(frozen=True, slots=True)
class Run:
    """Samples ``first`` up to, not including, ``end`` in which the same was measured."""

    first: int
    end: int
    seen: Seen


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """Measurements at the beginnings of ``n`` steps and what acted over them.

    Parameters
    ----------
    step_s : float
        Length of a step [s].
    air_c, slab_c : array, shape (n,)
        At the beginning of each step, smoothed; NaN where unknown [°C].
    inputs : array, shape (6, n)
        Means over each step of `models.thermal_network.INPUTS`; 0 where unknown.
    driven : array, shape (n,)
        Whether the inputs of a step are known.
    has_sun : bool
        Whether irradiance was measured at all; it is 0 throughout where it was not.
    """

    step_s: float
    air_c: FloatArray
    slab_c: FloatArray
    inputs: FloatArray
    driven: BoolArray
    has_sun: bool

    def __len__(self) -> int:
        """How many steps there are."""
        return len(self.air_c)

    def first(self, count: int) -> Record:
        """The record's first ``count`` steps."""
        return replace(
            self,
            air_c=self.air_c[:count],
            slab_c=self.slab_c[:count],
            inputs=self.inputs[:, :count],
            driven=self.driven[:count],
        )

    def spans(self) -> list[list[Run]]:
        """Stretches over which the inputs are unbroken, each in runs of what was measured."""
        seen = np.where(np.isfinite(self.air_c), 1 + np.isfinite(self.slab_c), 0)
        spans = []
        for first, end in _stretches(self.span_of()):
            cuts = [(first + a, first + b) for a, b in _stretches(seen[first:end])]
            spans.append([Run(a, b, Seen(int(seen[a]))) for a, b in cuts])
        return spans

    def span_of(self) -> IntArray:
        """Number of the span in which each sample lies, shape (n,)."""
        return np.concatenate(([0], np.cumsum(~self.driven[:-1])))[: len(self)].astype(np.int64)

    def starts(self, *, warm: int, steps: int, every: int, since: int = 0) -> IntArray:
        """Samples ``warm`` steps or more into a span whose air ``steps`` later is known."""
        index = np.arange(0, max(0, len(self) - steps), every)
        span = self.span_of()
        begin = np.concatenate(([0], np.flatnonzero(np.diff(span)) + 1))
        kept = (index >= since) & (span[index] == span[index + steps])
        kept &= np.isfinite(self.air_c[index + steps]) & (index - begin[span[index]] >= warm)
        return np.asarray(index[kept])


def record_of(series: Series, *, step_s: float) -> Record:
    """Bring a series to steps of about ``step_s``, the last ending where the series ends.

    Air and slab are smoothed and short gaps bridged as in `models.series.prepare`. A series of
    longer steps than ``step_s`` keeps its own.
    """
    joint = prepare(series)
    drive = prepare(replace(series, air_c=np.zeros_like(series.air_c)))
    slab = prepare(replace(series, air_c=series.slab_c))
    fine = max(1, round(step_s / series.step_s))
    count = len(joint) // fine
    skipped = len(joint) - count * fine

    def folded(values: FloatArray) -> FloatArray:
        return np.asarray(values[skipped:].reshape(count, fine).mean(axis=1))

    ones, acting = np.ones(len(joint)), series.acting()
    columns = (joint.power_w, _means(joint.outdoor_c), _means(joint.sun_w_m2), ones, *acting)
    driven = folded(_known(drive).astype(np.float64)) == 1.0
    begins = skipped + fine * np.arange(count)
    return Record(
        step_s=fine * series.step_s,
        air_c=_where_known(joint, begins),
        slab_c=_where_known(slab, begins),
        inputs=np.stack([folded(column) * driven for column in columns]),
        driven=driven,
        has_sun=joint.has_sun,
    )


def _known(history: History) -> BoolArray:
    return np.asarray(np.diff(history.unknown) == 0)


def _where_known(history: History, begins: IntArray) -> FloatArray:
    return np.where(_known(history)[begins], history.air_c[begins], np.nan)


def _means(values: FloatArray) -> FloatArray:
    """Mean over each step from the samples at its two ends; the last has but one."""
    return 0.5 * (values + np.concatenate((values[1:], values[-1:])))


def _stretches(labels: IntArray) -> list[tuple[int, int]]:
    """Begin and end of each stretch of equal labels."""
    if len(labels) == 0:
        return []
    cuts = np.flatnonzero(np.diff(labels)) + 1
    edges = [0, *cuts.tolist(), len(labels)]
    return list(pairwise(edges))
