"""Single rows that stand out from those around them: a sensor's slip, or a door just then.

Learning smooths air over 20 minutes, so that neither enters. In a log of wider steps one odd row
would stand for hours, beyond the reach of any smoothing, and has to go before rows are joined.
"""

from __future__ import annotations

from array import array
from statistics import median

from controller.records.site import TEMPERATURES, Role

STANDS_OUT_K = 4.0
"""How far a temperature may lie from the median of the five rows around it [K]: steady warming
and cooling, however quick, leave the middle row the median (chosen here, no source)."""


def without_outliers(
    role: Role, times_s: array[float], values: array[float]
) -> tuple[array[float], array[float]]:
    """The rows of a column without those that stand out; all of what is no temperature."""
    if role not in TEMPERATURES:
        return times_s, values
    kept = [k for k, value in enumerate(values) if not _stands_out(values, k, value)]
    if len(kept) == len(values):
        return times_s, values
    return array("d", (times_s[k] for k in kept)), array("d", (values[k] for k in kept))


def _stands_out(values: array[float], k: int, value: float) -> bool:
    around = values[max(0, k - 2) : k + 3]
    # where three of the five lie close together, so does their median: no need to sort
    near = values[k - 1] if k > 0 else around[-1]
    if abs(value - near) <= STANDS_OUT_K and abs(value - around[-1]) <= STANDS_OUT_K:
        return False
    return abs(value - median(around)) > STANDS_OUT_K
