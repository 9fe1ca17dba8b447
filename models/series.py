"""Evenly spaced measurements of one room, and the same made ready for fitting and backtests."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SMOOTHING_S = 1200.0
"""Span of the running median on room air, so that a door dip of minutes does not enter [s]."""

BRIDGED_GAP_S = 1800.0
"""Longest gap that is bridged; a longer one splits the history [s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Measurements on a common grid of ``n`` samples, NaN where unknown.

    Parameters
    ----------
    start_s : float
        Time of sample 0 [s].
    step_s : float
        Time between samples [s].
    air_c, slab_c, outdoor_c : array, shape (n,)
        Temperatures at the sample times [°C].
    power_w : array, shape (n,)
        Mean heat delivered from each sample time to the next [W].
    sun_w_m2 : array, shape (n,)
        Irradiance at the sample times [W/m2].
    occupied : array, shape (n,), or None
        Share of the time from each sample to the next with people in [0..1]; None for never.
    draught_k : array, shape (n,), or None
        As `models.draught.draught_k` gives, over the same times [K]; None where no wind is known.

    Raises
    ------
    ValueError
        Where the arrays are not of one length, or the step is not above 0.
    """

    start_s: float
    step_s: float
    air_c: FloatArray
    slab_c: FloatArray
    outdoor_c: FloatArray
    power_w: FloatArray
    sun_w_m2: FloatArray
    occupied: FloatArray | None = None
    draught_k: FloatArray | None = None

    def __post_init__(self) -> None:
        measured = (self.air_c, self.slab_c, self.outdoor_c, self.power_w, self.sun_w_m2)
        columns = (*measured, *self.acting())
        shapes = {column.shape for column in columns}
        if len(shapes) != 1 or self.air_c.ndim != 1:
            raise ValueError(f"every column must be one-dimensional and of one length: {shapes}")
        if not self.step_s > 0:
            raise ValueError(f"the step must be above 0 s, found {self.step_s}")

    def acting(self) -> tuple[FloatArray, FloatArray]:
        """People and draught, 0 where nothing is known of them."""
        none = np.zeros_like(self.air_c)
        return (
            none if self.occupied is None else self.occupied,
            none if self.draught_k is None else self.draught_k,
        )

    def part(self, begin: int, end: int) -> Series:
        """The samples from ``begin`` up to, not including, ``end``."""
        return replace(
            self,
            start_s=self.start_s + begin * self.step_s,
            air_c=self.air_c[begin:end],
            slab_c=self.slab_c[begin:end],
            outdoor_c=self.outdoor_c[begin:end],
            power_w=self.power_w[begin:end],
            sun_w_m2=self.sun_w_m2[begin:end],
            occupied=None if self.occupied is None else self.occupied[begin:end],
            draught_k=None if self.draught_k is None else self.draught_k[begin:end],
        )


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """A series made ready: air smoothed, short gaps bridged, long ones marked.

    Parameters
    ----------
    step_s : float
        Time between samples [s].
    air_c, outdoor_c, power_w, sun_w_m2 : array, shape (n,)
        As in `Series`; 0 where unknown. Irradiance is 0 throughout where it was never measured.
    unknown : array, shape (n + 1,)
        How many of the first k samples lack air, outdoor air, heat or (where measured) sun.
    has_sun : bool
        Whether irradiance was measured at all.
    """

    step_s: float
    air_c: FloatArray
    outdoor_c: FloatArray
    power_w: FloatArray
    sun_w_m2: FloatArray
    unknown: IntArray
    has_sun: bool

    def __len__(self) -> int:
        """How many samples there are."""
        return len(self.air_c)

    def starts(self, *, before: int, after: int, every: int) -> IntArray:
        """Samples from which all is known ``before`` samples back and ``after`` samples on.

        Returns
        -------
        array
            Indices, ascending, each a multiple of ``every``.
        """
        candidates = np.arange(0, len(self) - after, every)
        candidates = candidates[candidates >= before]
        gaps = self.unknown[candidates + after + 1] - self.unknown[candidates - before]
        return np.asarray(candidates[gaps == 0])


def prepare(series: Series) -> History:
    """Smooth the air, bridge gaps of up to half an hour and mark the longer ones."""
    longest = int(BRIDGED_GAP_S // series.step_s)
    air = _bridged(running_median(series.air_c, _smoothing_count(series.step_s)), longest)
    outdoor = _bridged(series.outdoor_c, longest)
    power = _held(series.power_w, longest)
    has_sun = bool(np.isfinite(series.sun_w_m2).any())
    sun = _bridged(series.sun_w_m2, longest) if has_sun else np.zeros_like(air)
    missing = ~np.isfinite(air + outdoor + power + sun)
    return History(
        step_s=series.step_s,
        air_c=np.nan_to_num(air),
        outdoor_c=np.nan_to_num(outdoor),
        power_w=np.nan_to_num(power),
        sun_w_m2=np.nan_to_num(sun),
        unknown=np.concatenate(([0], np.cumsum(missing))),
        has_sun=has_sun,
    )


def _smoothing_count(step_s: float) -> int:
    return 2 * round(0.5 * SMOOTHING_S / step_s) + 1


def running_median(values: FloatArray, count: int) -> FloatArray:
    """Centred running median that passes over unknown samples, shape (n,).

    Parameters
    ----------
    values : array, shape (n,)
        NaN where unknown; the result is NaN where all samples of the window are.
    count : int
        Samples in the window, odd.
    """
    if count <= 1 or len(values) == 0:
        return values.copy()
    padded = np.pad(values, count // 2, constant_values=np.nan)
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(padded, count), axis=1)
    known = np.isfinite(windows).sum(axis=1)  # NaN sorts last
    rows = np.arange(len(values))
    low = windows[rows, np.maximum(known - 1, 0) // 2]
    high = windows[rows, np.minimum(known // 2, count - 1)]
    return np.asarray(0.5 * (low + high))


def _bridged(values: FloatArray, longest: int) -> FloatArray:
    """Straight lines over gaps of at most ``longest`` samples that have both ends."""
    known = np.isfinite(values)
    if known.all() or not known.any():
        return values.copy()
    index = np.arange(len(values))
    filled = np.interp(index, index[known], values[known], left=np.nan, right=np.nan)
    filled[~known & (_gap_length(known) > longest)] = np.nan
    return filled


def _held(values: FloatArray, longest: int) -> FloatArray:
    """The last known value carried over gaps of at most ``longest`` samples."""
    known = np.isfinite(values)
    latest = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    usable = known | ((latest >= 0) & (_gap_length(known) <= longest))
    return np.where(usable, values[np.maximum(latest, 0)], np.nan)


def _gap_length(known: NDArray[np.bool_]) -> IntArray:
    """For each unknown sample, how many samples its gap has; of no meaning at the others."""
    gap = np.cumsum(known)
    lengths = np.bincount(gap, weights=~known, minlength=len(known) + 1)
    return lengths[gap].astype(np.int64)
