"""Slab and room now, from the readings of the last hours.

Each reading of those hours is carried to the present by the network and the heat and weather that
followed; the median of all is taken. So noise averages out, and a door dip does not move it.
"""

from __future__ import annotations

import numpy as np

from models.network_errors import predictor, track_of
from models.series import FloatArray, Series
from models.thermal_network import Network

LOOKED_BACK_S = 5400.0
"""Age of the oldest reading that counts [s]."""


def state_now_c(series: Series, network: Network) -> FloatArray | None:
    """Slab and room at the last sample of a series.

    Parameters
    ----------
    series : Series
        Ends now.
    network : Network

    Returns
    -------
    array, shape (2,), or None
        Slab and room [°C]; None where no reading of both, with all that drove them since, is
        known.
    """
    track = track_of(series)
    last = len(track.history) - 1
    starts = np.arange(max(0, last - track.steps(LOOKED_BACK_S / 3600.0)), last + 1)
    driven = track.undriven[last] == track.undriven[starts]
    starts = starts[driven & np.isfinite(track.states[:, starts]).all(axis=0)]
    if len(starts) == 0:
        return None
    carried = predictor(track, network).states_c(starts, last - starts)
    return np.asarray(np.median(carried, axis=1))
