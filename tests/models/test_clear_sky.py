"""The cloudless sky against published values and a reference library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest

from models.clear_sky import clear_sky_w_m2


@pytest.mark.parametrize(
    ("zenith_deg", "expected_w_m2"),
    [(0.0, 1035.092), (30.0, 888.271), (50.1116, 642.250), (60.0, 487.894), (80.0, 135.742)],
)
def test_the_formula_with_the_exponent_0059(zenith_deg, expected_w_m2):
    """Haurwitz 1945, 1098 cos z exp(-0.059 / cos z), worked by hand to 0.001 W/m2."""
    assert clear_sky_w_m2(np.array([zenith_deg]))[0] == pytest.approx(expected_w_m2, abs=1e-3)


def test_the_reference_library_says_the_same_at_every_angle():
    """The formula as pvlib has it: equal to rounding, the set sun included."""
    zenith_deg = np.linspace(0.0, 180.0, 361)
    theirs = pvlib.clearsky.haurwitz(pd.Series(zenith_deg))["ghi"].to_numpy()
    assert clear_sky_w_m2(zenith_deg) == pytest.approx(theirs, abs=1e-9)


def test_no_sun_below_the_horizon():
    """At and below the horizon the irradiance is exactly zero."""
    assert not clear_sky_w_m2(np.array([90.0, 91.0, 180.0])).any()
