"""What keeps a history from being judged on, in words that say what to bring."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from controller.local_time import duration
from controller.planning.history import FloatArray
from models.series import Series, prepare

NAMES: Mapping[str, str] = {
    "air_c": "room air",
    "outdoor_c": "outdoor air",
    "power_w": "heat",
}
"""What must be known at the same time."""


def lack_of(series: Series, *, needed_s: float) -> str:
    """Why nothing can be predicted on a history.

    Parameters
    ----------
    series : Series
    needed_s : float
        Shortest time over which everything must be known [s].
    """
    columns: dict[str, FloatArray] = {name: getattr(series, name) for name in NAMES}
    never = [NAMES[name] for name, values in columns.items() if not np.isfinite(values).any()]
    if never:
        return f"{' and '.join(never)} is not known of this time, neither measured nor imported"
    together = duration(longest_known_s(series, tuple(NAMES)))
    alone = [
        f"{name} for {duration(longest_known_s(series, (column,)))}"
        for column, name in NAMES.items()
    ]
    return (
        f"room air, outdoor air and heat are known together for {together} at a stretch at most, "
        f"where {duration(needed_s)} are needed; each alone: {', '.join(alone)}"
    )


def longest_known_s(series: Series, columns: tuple[str, ...]) -> float:
    """Longest time without a gap (beyond those that are bridged) in any of some columns [s]."""
    known = {name: np.zeros_like(series.air_c) for name in (*NAMES, "sun_w_m2")}
    known |= {name: getattr(series, name) for name in columns}
    history = prepare(
        replace(
            series,
            air_c=known["air_c"],
            outdoor_c=known["outdoor_c"],
            power_w=known["power_w"],
            sun_w_m2=known["sun_w_m2"],
        )
    )
    holes = np.flatnonzero(np.diff(history.unknown))
    edges = np.concatenate(([-1], holes, [len(history)]))
    return float(np.diff(edges).max() - 1) * series.step_s
