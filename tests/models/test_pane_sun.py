"""Sun on panes against pvlib, the reference library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest

from models.pane_sun import Pane, diffuse_share, on_panes

PLACE = {"latitude_deg": 52.4, "longitude_deg": 13.1}


def test_the_split_is_the_published_one():
    """Diffuse share as pvlib's Erbs model has it, at clearness from overcast to clear."""
    zenith_deg = 60.0
    clearness = np.array([0.1, 0.3, 0.5, 0.7, 0.85])
    extra = 1361.0
    ghi = clearness * extra * np.cos(np.radians(zenith_deg))
    theirs = pvlib.irradiance.erbs(ghi, zenith_deg, np.full(5, 80), min_cos_zenith=0.065)
    # they correct the solar constant for the day of the year, by up to 3.4 %
    assert diffuse_share(clearness) == pytest.approx(theirs["dhi"] / ghi, abs=0.05)


@pytest.mark.parametrize(("azimuth_deg", "tilt_deg"), [(180.0, 90.0), (270.0, 90.0), (180.0, 30.0)])
def test_a_clear_winter_day_on_a_pane(azimuth_deg, tilt_deg):
    """Hour by hour within 12 W/m2 of pvlib with the same split and an even sky."""
    times = pd.date_range("2026-01-15 08:00", "2026-01-15 15:00", freq="30min", tz="UTC")
    sun = pvlib.solarposition.get_solarposition(
        times, PLACE["latitude_deg"], PLACE["longitude_deg"]
    )
    ghi = pvlib.clearsky.haurwitz(sun["zenith"])["ghi"].to_numpy()
    split = pvlib.irradiance.erbs(ghi, sun["zenith"], times)
    theirs = pvlib.irradiance.get_total_irradiance(
        tilt_deg, azimuth_deg, sun["zenith"], sun["azimuth"],
        split["dni"], ghi, split["dhi"], albedo=0.2, model="isotropic",
    )["poa_global"].to_numpy()  # fmt: skip
    times_s = np.array([moment.timestamp() for moment in times])
    ours = on_panes(ghi, times_s, [Pane(1.0, azimuth_deg, tilt_deg)], **PLACE)
    # the orbit's form moves the split a little, most where the sun is low
    high = sun["zenith"].to_numpy() < 84.0
    assert ours[high] == pytest.approx(theirs[high], abs=12.0)


def test_lying_glass_sees_the_horizontal():
    """A pane that lies flat gets what the horizontal does, at any hour."""
    times_s = 1_768_435_200.0 + 3600.0 * np.arange(24)
    ghi = np.maximum(0.0, 300.0 * np.sin(np.linspace(-np.pi / 2, 3 * np.pi / 2, 24)))
    lying = on_panes(ghi, times_s, [Pane(1.0, 180.0, 0.0)], **PLACE)
    risen = lying[lying > 0.0]
    assert (lying <= ghi + 1e-9).all()
    assert len(risen) > 5
    assert lying.max() == pytest.approx(ghi.max())


def test_night_and_unknown_stay_what_they_are():
    """No sun is no sun on any pane; what is not known is not invented."""
    times_s = np.array([1_768_435_200.0, 1_768_435_200.0 + 12 * 3600.0])
    found = on_panes(np.array([0.0, np.nan]), times_s, [Pane(1.0, 180.0, 90.0)], **PLACE)
    assert found[0] == 0.0
    assert np.isnan(found[1])
