"""Irradiance that is known of a part of a history alone, and would make the rest of it unknown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.network_backtest import STEP_S, starts_of
from models.network_record import record_of
from models.series import Series

AHEAD_H = 12
LEAST_SHARE = 0.5
"""Share of the starts of predictions so far ahead that must be left with the sun taken in [-]."""


def without_patchy_sun(series: Series) -> Series:
    """A series without irradiance where that costs more than half of what can be predicted from it.

    A sensor that was fitted late, or a logger that leaves the nights out.
    """
    if not np.isfinite(series.sun_w_m2).any():
        return series
    blind = replace(series, sun_w_m2=np.full_like(series.sun_w_m2, np.nan))
    left, all_there = (
        len(starts_of(record_of(one, step_s=STEP_S), AHEAD_H)) for one in (series, blind)
    )
    return series if left >= LEAST_SHARE * all_there else blind
