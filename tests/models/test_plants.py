"""The two-node rooms that the fits are tried on, held to outside values (R2)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

INPUTS = np.array([8000.0, -5.0, 9.0])  # P, Te, Tg


def after(plant: Any, seconds: float, inputs: np.ndarray = INPUTS) -> np.ndarray:
    """Slab and room after constant inputs from [8, 6] C."""
    ad, bd = plant.matrices(seconds)
    return np.asarray(ad @ np.array([8.0, 6.0]) + bd @ inputs)


def test_r2_set_a(set_a: Any) -> None:
    """R2 set A: the state at 1, 6 and 24 h, to the last digit given."""
    assert after(set_a, 3600.0) == pytest.approx([9.352737, 5.394221], abs=1e-6)
    assert after(set_a, 6 * 3600.0) == pytest.approx([15.059310, 8.799013], abs=1e-6)
    assert after(set_a, 24 * 3600.0) == pytest.approx([29.895798, 19.900025], abs=1e-6)


def test_r2_set_b(set_b: Any) -> None:
    """R2 set B: one step of 600 s, and 18 C after 17.725126 h with the slab at 30.138395 C."""
    ad, bd = set_b.matrices(600.0)
    assert ad[1] == pytest.approx([0.0434741763, 0.939051131], rel=1e-8)
    assert bd[0, 0] == pytest.approx(3.322923e-5, rel=1e-6)
    assert after(set_b, 17.725126 * 3600.0) == pytest.approx([30.138395, 18.0], abs=1e-5)
