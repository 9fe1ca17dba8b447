"""What the wind makes of a building's leaks, as one number that a linear network can take.

Air exchange through leaks grows with the wind. What it carries is in proportion to how much warmer
it is inside, which a linear network cannot multiply with a wind that changes; so the product is
formed before, with the room's temperature as it was, or as it is expected to be.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from models.series import FloatArray

USUAL_M_S = 4.0
"""Wind that the usual loss counts in, about a lowland station's mean (common practice, no source)
[m/s]."""


def draught_k(wind_m_s: ArrayLike, *, outdoor_c: ArrayLike, air_c: ArrayLike) -> FloatArray:
    """How much colder outdoors counts for the leaks, the usual wind taken off.

    Parameters
    ----------
    wind_m_s, outdoor_c, air_c : array, shape (n,), or float
        Wind [m/s], outdoor and room air [°C]; NaN where unknown.

    Returns
    -------
    array, shape (n,)
        Below 0 in much wind and above it in calm, for a room that is warmer than outdoors; 0
        where the wind or a temperature is unknown [K].
    """
    beyond = np.asarray(wind_m_s, dtype=np.float64) / USUAL_M_S - 1.0
    colder_k = np.asarray(outdoor_c, dtype=np.float64) - np.asarray(air_c, dtype=np.float64)
    return np.nan_to_num(beyond * colder_k)
