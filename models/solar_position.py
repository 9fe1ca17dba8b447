"""Where the sun stands: zenith angle and azimuth from time and place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.series import FloatArray

DAY_S = 86400.0
J2000_S = 946_728_000.0
"""2000-01-01 12:00 as UTC seconds since 1970: the epoch of the series below."""


@dataclass(frozen=True, slots=True, eq=False)
class SunPosition:
    """The sun's geometric position (no refraction), each array of shape (n,).

    ``zenith_deg`` is the angle from the vertical [deg], ``azimuth_deg`` the bearing clockwise
    from north [deg], 0 to 360.
    """

    zenith_deg: FloatArray
    azimuth_deg: FloatArray


def sun_position(times_s: FloatArray, *, latitude_deg: float, longitude_deg: float) -> SunPosition:
    """Where the sun stands at ``times_s`` (UTC seconds since 1970), east longitude positive.

    The low-precision series of the Astronomical Almanac as given by Michalsky (1988), Solar
    Energy 40(3), 227-235, good to 0.01 deg from 1950 to 2050; constants from memory, held in
    the tests against two independent implementations.
    """
    days = (np.asarray(times_s, dtype=np.float64) - J2000_S) / DAY_S
    ascension, declination = _equatorial(days)
    universal_h = (days + 0.5) % 1.0 * 24.0
    sidereal_deg = 15.0 * (6.697375 + 0.0657098242 * days + universal_h)
    hour_angle = np.radians(sidereal_deg + longitude_deg) - ascension
    latitude = np.radians(latitude_deg)
    up = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(
        hour_angle
    )
    east = -np.cos(declination) * np.sin(hour_angle)
    north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(
        declination
    ) * np.cos(hour_angle)
    return SunPosition(
        zenith_deg=np.degrees(np.arctan2(np.hypot(east, north), up)),
        azimuth_deg=np.degrees(np.arctan2(east, north)) % 360.0,
    )


def _equatorial(days: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Right ascension and declination [rad] from days since the epoch."""
    mean_longitude_deg = 280.460 + 0.9856474 * days
    anomaly = np.radians(357.528 + 0.9856003 * days)
    longitude = np.radians(
        mean_longitude_deg + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly)
    )
    obliquity = np.radians(23.439 - 4.0e-7 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(longitude), np.cos(longitude))
    return ascension, np.arcsin(np.sin(obliquity) * np.sin(longitude))
