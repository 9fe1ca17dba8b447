"""Sun on a room's panes from what falls on the horizontal.

The low sun of winter stands in upright glass that faces it and hardly touches the horizontal; what
the horizontal measures alone says little of the heat that comes in, and less each hour of the day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.series import FloatArray
from models.solar_position import sun_position

SOLAR_CONSTANT_W_M2 = 1361.0
GROUND_REFLECTANCE = 0.2
"""Share of the light that ordinary ground throws back; common practice, no source."""
_LOWEST = 0.065
"""Cosine of the zenith angle under which no beam is told apart (3.7 deg above the horizon)."""


@dataclass(frozen=True, slots=True)
class Pane:
    """Glass with its weight in a mean, its azimuth clockwise from north and its tilt [deg]."""

    weight: float
    azimuth_deg: float
    tilt_deg: float


def on_panes(
    horizontal_w_m2: FloatArray,
    times_s: FloatArray,
    panes: Sequence[Pane],
    *,
    latitude_deg: float,
    longitude_deg: float,
) -> FloatArray:
    """Irradiance on panes, their weighted sum [W/m2].

    Parameters
    ----------
    horizontal_w_m2 : array, shape (n,)
        Global irradiance on the horizontal [W/m2]; NaN stays NaN.
    times_s : array, shape (n,)
        UTC seconds.
    panes : sequence of Pane
    latitude_deg, longitude_deg : float
        North and east are positive.

    Returns
    -------
    array, shape (n,)

    Notes
    -----
    Beam and diffuse by the clearness index as Erbs, Klein and Duffie (Solar Energy 28, 1982) part
    them; the sky evenly bright; light off the ground.
    """
    sun = sun_position(times_s, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    zenith, azimuth = np.radians(sun.zenith_deg), np.radians(sun.azimuth_deg)
    height = np.cos(zenith)
    beam_height = np.maximum(height, _LOWEST)
    # the earth is nearest to the sun in the first days of January
    year = 2.0 * np.pi * (times_s / 86400.0 / 365.2425 % 1.0)
    outside = SOLAR_CONSTANT_W_M2 * (1.0 + 0.033 * np.cos(year)) * beam_height
    clearness = np.clip(horizontal_w_m2 / outside, 0.0, 1.0)
    share = np.where(height > _LOWEST, diffuse_share(clearness), 1.0)
    diffuse, beam = share * horizontal_w_m2, (1.0 - share) * horizontal_w_m2 / beam_height
    total = np.zeros_like(horizontal_w_m2)
    for pane in panes:
        tilt = np.radians(pane.tilt_deg)
        facing = np.cos(azimuth - np.radians(pane.azimuth_deg))
        incidence = height * np.cos(tilt) + np.sin(zenith) * np.sin(tilt) * facing
        sky, ground = 0.5 * (1.0 + np.cos(tilt)), 0.5 * (1.0 - np.cos(tilt))
        total = total + pane.weight * (
            beam * np.maximum(incidence, 0.0)
            + sky * diffuse
            + ground * GROUND_REFLECTANCE * horizontal_w_m2
        )
    return np.asarray(total)


def diffuse_share(clearness: FloatArray) -> FloatArray:
    """Diffuse part of the global irradiance by clearness index, Erbs et al. 1982 [-]."""
    k = clearness
    middle = 0.9511 - 0.1604 * k + 4.388 * k**2 - 16.638 * k**3 + 12.336 * k**4
    return np.where(k <= 0.22, 1.0 - 0.09 * k, np.where(k > 0.8, 0.165, middle))
