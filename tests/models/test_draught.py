"""What the wind makes of a building's leaks."""

from __future__ import annotations

import numpy as np
import pytest

from models.draught import USUAL_M_S, draught_k


@pytest.mark.parametrize(
    ("wind_m_s", "outdoor_c", "air_c", "expected_k"),
    [
        (USUAL_M_S, 0.0, 20.0, 0.0),
        (2.0 * USUAL_M_S, 0.0, 20.0, -20.0),
        (0.0, 0.0, 20.0, 20.0),
        (2.0 * USUAL_M_S, 25.0, 20.0, 5.0),
        (3.0 * USUAL_M_S, 12.0, 12.0, 0.0),
        (np.nan, 0.0, 20.0, 0.0),
        (8.0, np.nan, 20.0, 0.0),
        (8.0, 0.0, np.nan, 0.0),
    ],
)
def test_wind_carries_off_what_the_room_is_warmer_by(
    wind_m_s: float, outdoor_c: float, air_c: float, expected_k: float
) -> None:
    """Much wind cools a warm room, calm spares it, and what is unknown does neither."""
    assert draught_k(wind_m_s, outdoor_c=outdoor_c, air_c=air_c) == pytest.approx(expected_k)
