"""What a building is taken for where its owner has not described it: an ordinary workshop.

All values are common practice, no source. History takes their place; until then they are worth
little, and the prior that they lead to is the wider for it (see `Zone.guessed`).
"""

from __future__ import annotations

import math

from controller.records.site import Surface

HEIGHT_M = 3.2
AIR_CHANGES_PER_H = 0.8
ENVELOPE_W_M2K = 0.6
SLAB_THICKNESS_MM = 150.0
TUBE_SPACING_MM = 200.0
TUBE_BORE_MM = 16.0
INSULATION_THICKNESS_MM = 50.0
WALL_THICKNESS_MM = 200.0


def perimeter_m(area_m2: float) -> float:
    """Edge of a square floor that stands free [m]."""
    return 4.0 * math.sqrt(area_m2)


def volume_m3(area_m2: float) -> float:
    """Air over a floor [m3]."""
    return HEIGHT_M * area_m2


def envelope(area_m2: float) -> tuple[Surface, ...]:
    """Walls and roof of one sort over a floor."""
    outside_m2 = area_m2 + HEIGHT_M * perimeter_m(area_m2)
    return (Surface("walls-and-roof", outside_m2, ENVELOPE_W_M2K),)


def tube_length_m(area_m2: float, tube_spacing_m: float) -> float:
    """Tubes that fill a floor [m]."""
    return area_m2 / tube_spacing_m
