"""What the interlocks need to know of floors and loops, as plain numbers from the site file."""

from __future__ import annotations

import math

from controller.records.safety import LoopFacts, ZoneFacts
from controller.records.site import Heater, Loop, Zone

RELIEF_MARGIN_BAR = 0.5
"""How far below the relief valve's setting heat stops [bar]: EN 12828, from memory, lets a system
end 0.5 bar below a valve of up to 5 bar."""
LOSS_BAR = 0.5
"""Pressure lost since the cold fill, at equal temperature, at which heat stops [bar]; common
practice, no source."""
LEAST_BAR = 0.5
"""Below this a pump may draw in air [bar]: a low-water cut-off; common practice, no source."""
FLUID_J_M3K = 4.2e6
"""Water; glycol holds less, which makes the time round shorter [J/m3K]."""
SPREAD_K = 10.0
"""Supply over return at full heat, at most [K]; common practice, no source."""


def zone_facts(zone: Zone) -> ZoneFacts:
    """What rules need to know of a zone's floor."""
    floor = zone.floor
    slab_m3 = floor.area_m2 * floor.slab_thickness_m
    above_m2k_w = floor.tube_depth_m / floor.slab_conductivity_w_mk
    return ZoneFacts(
        area_m2=floor.area_m2,
        slab_j_k=slab_m3 * floor.slab_density_kg_m3 * floor.slab_heat_capacity_j_kgk,
        slab_to_surface_m2k_w=above_m2k_w + floor.covering_resistance_m2k_w,
    )


def loop_facts(loop: Loop, heater: Heater, loops: tuple[Loop, ...]) -> LoopFacts:
    """What rules need to know of one of a heater's loops.

    The flow is not known: at most ``SPREAD_K`` of spread at full heat says how slow it can be.
    """
    content_m3 = math.pi / 4.0 * loop.tube_bore_m**2 * loop.tube_length_m
    share = loop.tube_length_m / sum(other.tube_length_m for other in loops)
    flow_w_k = heater.rating_w * share / SPREAD_K
    return LoopFacts(
        zone=loop.zone,
        dead_time_s=content_m3 * FLUID_J_M3K / flow_w_k,
        low_bar=max(LEAST_BAR, loop.cold_fill_bar - LOSS_BAR),
        high_bar=loop.relief_valve_bar - RELIEF_MARGIN_BAR,
        cold_c=loop.cold_fill_c,
        bar_per_k=loop.rise_bar_per_k,
    )
