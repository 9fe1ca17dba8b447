"""The sun under a cloudless sky: global irradiance on the horizontal."""

from __future__ import annotations

import numpy as np

from models.series import FloatArray

LOWEST_COS_ZENITH = 0.001
"""Below it the sun counts as set: the irradiance there is below 1e-20 W/m2 anyway."""


def clear_sky_w_m2(zenith_deg: FloatArray) -> FloatArray:
    """Global horizontal irradiance under a cloudless sky [W/m2], shape of ``zenith_deg``.

    ``1098 cos z exp(-0.059 / cos z)``: Haurwitz, Journal of Meteorology 2 (1945), 154-166. Of the
    two exponents in circulation, 0.059 and 0.057, the one that the reference library uses.
    """
    cos_zenith = np.cos(np.radians(zenith_deg))
    up = np.maximum(cos_zenith, LOWEST_COS_ZENITH)
    return np.where(
        cos_zenith > LOWEST_COS_ZENITH, 1098.0 * up * np.exp(-0.059 / up), np.zeros_like(up)
    )
