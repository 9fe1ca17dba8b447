"""Where the sun stands, and how much of the measured irradiance falls on a tilted window."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from controller.rehearsal.weather import Station

Floats = NDArray[np.float64]

DAY_S = 86400.0
_SOLAR_CONSTANT_W_M2 = 1361.0
_GROUND_REFLECTANCE = 0.2
_LOWEST_SUN = 0.065
"""Cosine of the zenith angle below which there is no beam worth splitting off (3.7 deg)."""


def sun_direction(times_s: Floats, station: Station) -> tuple[Floats, Floats]:
    """Cosine of the zenith angle, and azimuth clockwise from north [rad], each of shape (n,).

    Declination and equation of time are the Fourier series of Spencer (1971), good to about
    0.3 deg; hour angle and azimuth are plain spherical trigonometry.
    """
    days = times_s / DAY_S
    year_start = np.datetime64("1970") + (np.floor(days) / 365.2425).astype(int)
    day_of_year = days - (year_start.astype("datetime64[D]").astype(int)).astype(float)
    angle = 2.0 * np.pi * day_of_year / 365.0
    declination, equation_min = _spencer(angle)
    solar_h = (times_s % DAY_S) / 3600.0 + station.longitude_deg / 15.0 + equation_min / 60.0
    hour_angle = np.radians(15.0 * (solar_h - 12.0))
    latitude = np.radians(station.latitude_deg)
    cos_zenith = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(
        declination
    ) * np.cos(hour_angle)
    east = -np.cos(declination) * np.sin(hour_angle)
    north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(
        declination
    ) * np.cos(hour_angle)
    return cos_zenith, np.arctan2(east, north)


def _spencer(angle: Floats) -> tuple[Floats, Floats]:
    """Declination [rad] and equation of time [min] from the day angle [rad]."""
    declination = (
        0.006918
        - 0.399912 * np.cos(angle)
        + 0.070257 * np.sin(angle)
        - 0.006758 * np.cos(2 * angle)
        + 0.000907 * np.sin(2 * angle)
        - 0.002697 * np.cos(3 * angle)
        + 0.00148 * np.sin(3 * angle)
    )
    equation = 229.18 * (
        0.000075
        + 0.001868 * np.cos(angle)
        - 0.032077 * np.sin(angle)
        - 0.014615 * np.cos(2 * angle)
        - 0.040849 * np.sin(2 * angle)
    )
    return declination, equation


def diffuse_share(clearness: Floats) -> Floats:
    """Share of the global irradiance that is diffuse, by clearness index (Erbs et al. 1982)."""
    k = clearness
    middle = 0.9511 - 0.1604 * k + 4.388 * k**2 - 16.638 * k**3 + 12.336 * k**4
    return np.where(k <= 0.22, 1.0 - 0.09 * k, np.where(k > 0.8, 0.165, middle))


def on_plane_w_m2(
    times_s: Floats, global_w_m2: Floats, station: Station, *, azimuth_deg: float, tilt_deg: float
) -> Floats:
    """Irradiance on a plane [W/m2], shape (n,): beam, even sky, and light off the ground."""
    cos_zenith, azimuth = sun_direction(times_s, station)
    outside_w_m2 = _SOLAR_CONSTANT_W_M2 * np.maximum(cos_zenith, _LOWEST_SUN)
    diffuse = global_w_m2 * diffuse_share(np.clip(global_w_m2 / outside_w_m2, 0.0, 1.0))
    diffuse = np.where(cos_zenith > _LOWEST_SUN, diffuse, global_w_m2)
    tilt = np.radians(tilt_deg)
    sin_zenith = np.sqrt(np.maximum(0.0, 1.0 - cos_zenith**2))
    facing = np.cos(azimuth - np.radians(azimuth_deg))
    cos_incidence = np.maximum(0.0, cos_zenith * np.cos(tilt) + sin_zenith * np.sin(tilt) * facing)
    beam = (global_w_m2 - diffuse) * cos_incidence / np.maximum(cos_zenith, _LOWEST_SUN)
    sky = diffuse * (1.0 + np.cos(tilt)) / 2.0
    ground = global_w_m2 * _GROUND_REFLECTANCE * (1.0 - np.cos(tilt)) / 2.0
    total: Floats = beam + sky + ground
    return total
