"""From the site file's description of a building to the numbers that the models start from.

Heat loss by ISO 6946 (walls, roof), air change, and ISO 13370 (floor); storage of slab and room;
sun through glass. Rough where the description is rough: the prior's spread carries that.
"""

from __future__ import annotations

import math

from controller.records.site import Floor, Glazing, Heater, Loop, Role, Site, Surface, Zone
from models.day_one import Prior, first_order_prior
from models.envelope import u_value_w_m2k, ventilation_loss_w_k
from models.floor_output import slab_to_room_w_k
from models.ground_floor import floor_loss_w_k
from models.network_prior import NetworkPrior, network_prior
from models.pane_sun import Pane, on_panes
from models.series import FloatArray

AIR_J_M3K = 1200.0
"""Heat stored by one cubic metre of air for each kelvin [J/m3K]."""
LINING_J_M2K = 15e3
"""Heat stored by the inner centimetre of walls and roof that follows the air [J/m2K]; common
practice, no source."""
FURNITURE_J_M2K = 10e3
"""Heat stored by what stands on a square metre of floor [J/m2K]; the value of ISO 52016-1, from
memory."""
GLASS_IN_USE = 0.75
"""What frame, dirt and slanting rays leave of the g-value [-]; common practice, no source."""

TUBE_WALL_M, TUBE_W_MK = 0.002, 0.4
"""Wall of a plastic tube [m] and its conductivity [W/mK]; common practice, no source."""
FILM_W_M2K = 600.0
"""From flowing water or glycol to the tube [W/m2K]; common practice, no source."""
SURFACE_W_M2K = 10.8
"""From a heated floor's surface to the room [W/m2K], EN 1264-5."""


def zone_prior(zone: Zone, *, latitude_deg: float) -> Prior:
    """The first-order response to expect of a zone from its description alone."""
    floor = zone.floor
    return first_order_prior(
        loss_w_k=zone_loss_w_k(zone),
        slab_capacity_j_k=slab_capacity_j_k(floor),
        room_capacity_j_k=room_capacity_j_k(zone),
        slab_to_room_w_k=_coupling_w_k(floor),
        glazing_gain_m2=sum(glazing_gain_m2(g, latitude_deg) for g in zone.glazing),
        guessed=zone.is_rough,
    )


def zone_network_prior(zone: Zone, *, latitude_deg: float, metered: bool) -> NetworkPrior:
    """The networks to expect of a zone from its description alone."""
    floor = zone.floor
    ground_w_k = _ground_w_k(floor)
    return network_prior(
        area_m2=floor.area_m2,
        slab_capacity_j_k=slab_capacity_j_k(floor),
        room_capacity_j_k=room_capacity_j_k(zone),
        slab_room_w_k=_coupling_w_k(floor),
        room_outdoor_w_k=zone_loss_w_k(zone) - ground_w_k,
        slab_ground_w_k=ground_w_k,
        floor_resistance_m2k_w=floor.insulation_thickness_m / floor.insulation_conductivity_w_mk,
        glazing_gain_m2=sum(glazing_gain_m2(g, latitude_deg) for g in zone.glazing),
        heat_metered=metered,
        guessed=zone.is_rough,
    )


def tubes_w_k(loop: Loop, floor: Floor) -> float:
    """Conductance from the water in a loop to the slab around its tubes [W/K].

    For each metre the film, the tube's wall (2 mm of plastic) and the way to the mean of the
    tubes' plane, ln(spacing / (pi d)) / (2 pi lambda), as in the resistance method of
    ISO 11855-2; film and wall are common practice, no source.
    """
    outside_m = loop.tube_bore_m + 2.0 * TUBE_WALL_M
    film = 1.0 / (math.pi * loop.tube_bore_m * FILM_W_M2K)
    wall = math.log(outside_m / loop.tube_bore_m) / (2.0 * math.pi * TUBE_W_MK)
    spread = max(floor.tube_spacing_m / (math.pi * outside_m), 1.05)
    across = math.log(spread) / (2.0 * math.pi * floor.slab_conductivity_w_mk)
    return loop.tube_length_m / (film + wall + across)


def surface_share(floor: Floor, slab_room_w_k: float) -> float:
    """How much of the way from room air to slab the floor's surface lies [0..1]."""
    return min(1.0, slab_room_w_k / (SURFACE_W_M2K * floor.area_m2))


def zone_loss_w_k(zone: Zone) -> float:
    """Heat loss for each kelvin above outdoors: envelope, air change, floor to ground [W/K].

    The ground is not as cold as the air outdoors in winter; the fitted offset takes that up.
    """
    envelope_w_k = sum(surface.area_m2 * _u_w_m2k(surface) for surface in zone.surfaces)
    air_w_k = ventilation_loss_w_k(
        volume_m3=zone.volume_m3, air_changes_per_h=zone.air_changes_per_h
    )
    return envelope_w_k + air_w_k + _ground_w_k(zone.floor)


def slab_capacity_j_k(floor: Floor) -> float:
    """Heat stored by the slab for each kelvin [J/K]."""
    volume_m3 = floor.area_m2 * floor.slab_thickness_m
    return volume_m3 * floor.slab_density_kg_m3 * floor.slab_heat_capacity_j_kgk


def room_capacity_j_k(zone: Zone) -> float:
    """Heat stored by what follows the air: air, inner linings, furniture [J/K]."""
    linings_m2 = sum(surface.area_m2 for surface in zone.surfaces)
    return (
        zone.volume_m3 * AIR_J_M3K
        + linings_m2 * LINING_J_M2K
        + zone.floor.area_m2 * FURNITURE_J_M2K
    )


def glazing_gain_m2(glazing: Glazing, latitude_deg: float) -> float:
    """Area that would let in as much winter sun from the horizontal as this glass does [m2].

    The low sun of a heating season gives a pane that faces the equator about 1.3 times, and one
    that faces away 0.3 times, what falls on the horizontal (from memory; good to about a third).
    """
    equator_deg = 180.0 if latitude_deg >= 0.0 else 0.0
    facing = math.cos(math.radians(glazing.azimuth_deg - equator_deg))
    upright = 0.8 + 0.5 * facing
    lying = math.cos(math.radians(glazing.tilt_deg))
    orientation = upright * (1.0 - abs(lying)) + max(0.0, lying)
    return glazing.area_m2 * glazing.g_value * GLASS_IN_USE * orientation


def zone_sun_w_m2(
    site: Site, zone: Zone, horizontal_w_m2: FloatArray, times_s: FloatArray
) -> FloatArray:
    """Sun on a zone's panes as the horizontal irradiance that would let in as much, (n,) [W/m2].

    Through a winter it comes to about what the horizontal gets (see `glazing_gain_m2`); by the
    hour it follows the panes. A zone without glazing keeps the horizontal.
    """
    gain_m2 = sum(glazing_gain_m2(glass, site.latitude_deg) for glass in zone.glazing)
    if gain_m2 <= 0.0:
        return horizontal_w_m2
    panes = [
        Pane(g.area_m2 * g.g_value * GLASS_IN_USE / gain_m2, g.azimuth_deg, g.tilt_deg)
        for g in zone.glazing
    ]
    return on_panes(
        horizontal_w_m2,
        times_s,
        panes,
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
    )


def heat_share(
    site: Site, heater: Heater, zone: Zone, gives: frozenset[str] | None = None
) -> float:
    """Share of a heater's output that goes into a zone's floor, by floor area [0..1].

    ``gives`` names the zones that heat goes to, None for all that the heater serves.
    """
    served = [z for z in site.zones_of(heater) if gives is None or z.id in gives]
    if zone not in served:
        return 0.0
    return zone.floor.area_m2 / sum(z.floor.area_m2 for z in served)


def told_loops(site: Site) -> dict[str, str]:
    """The loops with a valve of whose position readings tell, and that valve."""
    reporting = {s.subject for s in site.sensors if s.role is Role.RELAY_STATE}
    valves = {loop.id: loop.valve for loop in site.loops if loop.valve is not None}
    return {loop: valve.id for loop, valve in valves.items() if valve.id in reporting}


def _u_w_m2k(surface: Surface) -> float:
    if surface.u_w_m2k is not None:
        return surface.u_w_m2k
    layers = [(layer.thickness_m, layer.conductivity_w_mk) for layer in surface.layers]
    return u_value_w_m2k(layers)


def _coupling_w_k(floor: Floor) -> float:
    return slab_to_room_w_k(
        area_m2=floor.area_m2,
        tube_depth_m=floor.tube_depth_m,
        slab_conductivity_w_mk=floor.slab_conductivity_w_mk,
        covering_resistance_m2k_w=floor.covering_resistance_m2k_w,
    )


def _ground_w_k(floor: Floor) -> float:
    insulation_m2k_w = floor.insulation_thickness_m / floor.insulation_conductivity_w_mk
    return floor_loss_w_k(
        area_m2=floor.area_m2,
        exposed_perimeter_m=floor.exposed_perimeter_m,
        wall_thickness_m=floor.wall_thickness_m,
        soil_conductivity_w_mk=floor.soil_conductivity_w_mk,
        floor_resistance_m2k_w=insulation_m2k_w + floor.covering_resistance_m2k_w,
    )
