"""Kinds of buildings to rehearse in: floor build-up, envelope, glass and heater.

A kind keeps what the owner's place and plan are (ids, time zone, latitude, floor area, perimeter,
volume, concrete, soil, sensors) and takes the rest from a preset, so that the same bookings can be
tried in another sort of workshop. The figures are those of ordinary small workshops; common
practice, no source.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

from controller.records.site import Glazing, Heater, Loop, Site, Surface, Zone


@dataclass(frozen=True, slots=True)
class Kind:
    """What makes a building thin, heavy or weakly heated.

    Attributes
    ----------
    about : str
        What an owner would call it.
    slab_m, tube_depth_m, tube_spacing_m, insulation_m : float
        Slab, depth and spacing of the tubes, insulation beneath the slab [m].
    wall_u_w_m2k, roof_u_w_m2k : float
        Of walls, and of the roof [W/m2K].
    glass_share : float
        Glass for each m2 of floor, three quarters of it to the south and the rest to the west [-].
    air_changes_per_h : float
        With doors shut [1/h].
    heater_share : float
        Rating of the heater over the plain heat load of a design day, see `design_load_w` [-].
    supply_limit_c : float
        Setting of the heater's own thermostat [°C].
    """

    about: str
    slab_m: float
    tube_depth_m: float
    tube_spacing_m: float
    insulation_m: float
    wall_u_w_m2k: float
    roof_u_w_m2k: float
    glass_share: float
    air_changes_per_h: float
    heater_share: float
    supply_limit_c: float


KINDS: Mapping[str, Kind] = {
    "thin": Kind(
        "a thin slab under much glass",
        slab_m=0.065, tube_depth_m=0.035, tube_spacing_m=0.15, insulation_m=0.12,
        wall_u_w_m2k=0.35, roof_u_w_m2k=0.25, glass_share=0.33, air_changes_per_h=0.7,
        heater_share=1.6, supply_limit_c=45.0,
    ),
    "ordinary": Kind(
        "an ordinary slab of 150 mm in an ordinary shed",
        slab_m=0.15, tube_depth_m=0.075, tube_spacing_m=0.20, insulation_m=0.10,
        wall_u_w_m2k=0.45, roof_u_w_m2k=0.33, glass_share=0.17, air_changes_per_h=0.9,
        heater_share=1.95, supply_limit_c=48.0,
    ),
    "heavy": Kind(
        "a slab of 300 mm on little insulation in a leaky shed",
        slab_m=0.30, tube_depth_m=0.12, tube_spacing_m=0.25, insulation_m=0.05,
        wall_u_w_m2k=0.55, roof_u_w_m2k=0.35, glass_share=0.12, air_changes_per_h=0.8,
        heater_share=2.15, supply_limit_c=45.0,
    ),
    "weak": Kind(
        "an ordinary slab with a heater barely enough for the coldest day",
        slab_m=0.15, tube_depth_m=0.075, tube_spacing_m=0.20, insulation_m=0.10,
        wall_u_w_m2k=0.45, roof_u_w_m2k=0.33, glass_share=0.10, air_changes_per_h=0.8,
        heater_share=1.15, supply_limit_c=45.0,
    ),
}  # fmt: skip
_SOUTH_DEG, _WEST_DEG, _UPRIGHT_DEG = 180.0, 270.0, 90.0
_SOUTH_SHARE = 0.75
_G_VALUE = 0.6
_GLASS_U_W_M2K = 1.6
_DOOR_SHARE, _DOOR_U_W_M2K = 0.12, 2.0
_ROOF_SHARE = 1.08
"""Area of a low-pitched roof for each m2 of floor."""
_DESIGN_K = 28.0
"""From -10 °C outside to 18 °C inside: a lowland winter's design day in the middle latitudes."""
_GROUND_U_W_M2K = 0.3
_AIR_WH_M3K = 0.335
_LEAST_WALL_SHARE = 0.3
"""Of the outside walls, however much door and glass there is."""


def of_kind(site: Site, heater: Heater, kind: Kind) -> Site:
    """The site with one heater and its zones changed to a kind; everything else stays.

    The heater's loops are laid anew at the kind's spacing; zones that have several share out the
    length as they did before.
    """
    zones = {zone.id: _zone(zone, kind) for zone in site.zones_of(heater)}
    laid_m: dict[str, float] = dict.fromkeys(zones, 0.0)
    for loop in site.loops:
        if loop.id in heater.loops:
            laid_m[loop.zone] += loop.tube_length_m
    load_w = sum(map(design_load_w, zones.values()))
    rated = dataclasses.replace(
        heater, rating_w=kind.heater_share * load_w, supply_limit_c=kind.supply_limit_c
    )

    def laid(loop: Loop) -> Loop:
        if loop.id not in heater.loops:
            return loop
        needed_m = zones[loop.zone].floor.area_m2 / kind.tube_spacing_m
        length_m = needed_m * loop.tube_length_m / laid_m[loop.zone]
        return dataclasses.replace(loop, tube_length_m=length_m)

    return dataclasses.replace(
        site,
        zones=tuple(zones.get(zone.id, zone) for zone in site.zones),
        loops=tuple(map(laid, site.loops)),
        heaters=tuple(rated if other.id == heater.id else other for other in site.heaters),
    )


def design_load_w(zone: Zone) -> float:
    """Heat that a zone of a kind loses on a design day, as an installer would add it up [W].

    U-values times areas, 0.335 Wh/m3K for the air, 0.3 W/m2K for the floor. It leaves out the
    slab's edge and that cold drives more air through a leaky shed: together about 15 %.
    """
    parts_w_k = sum(part.area_m2 * (part.u_w_m2k or 0.0) for part in zone.surfaces)
    air_w_k = _AIR_WH_M3K * zone.volume_m3 * zone.air_changes_per_h
    return (parts_w_k + air_w_k + _GROUND_U_W_M2K * zone.floor.area_m2) * _DESIGN_K


def _zone(zone: Zone, kind: Kind) -> Zone:
    floor = dataclasses.replace(
        zone.floor,
        slab_thickness_m=kind.slab_m,
        tube_depth_m=kind.tube_depth_m,
        tube_spacing_m=kind.tube_spacing_m,
        insulation_thickness_m=kind.insulation_m,
        covering_resistance_m2k_w=0.0,
    )
    glass_m2 = kind.glass_share * floor.area_m2
    return dataclasses.replace(
        zone,
        floor=floor,
        air_changes_per_h=kind.air_changes_per_h,
        surfaces=_surfaces(zone, kind, glass_m2=glass_m2),
        glazing=(
            Glazing(glass_m2 * _SOUTH_SHARE, _SOUTH_DEG, _UPRIGHT_DEG, _G_VALUE),
            Glazing(glass_m2 * (1.0 - _SOUTH_SHARE), _WEST_DEG, _UPRIGHT_DEG, _G_VALUE),
        ),
    )


def _surfaces(zone: Zone, kind: Kind, *, glass_m2: float) -> tuple[Surface, ...]:
    floor_m2 = zone.floor.area_m2
    sides_m2 = _outside_walls_m2(zone)
    door_m2 = _DOOR_SHARE * floor_m2
    walls_m2 = max(sides_m2 - door_m2 - glass_m2, _LEAST_WALL_SHARE * sides_m2)
    return (
        Surface("walls", walls_m2, u_w_m2k=kind.wall_u_w_m2k),
        Surface("roof", _ROOF_SHARE * floor_m2, u_w_m2k=kind.roof_u_w_m2k),
        Surface("door", door_m2, u_w_m2k=_DOOR_U_W_M2K),
        Surface("windows", glass_m2, u_w_m2k=_GLASS_U_W_M2K),
    )


def _outside_walls_m2(zone: Zone) -> float:
    """Area of the outside walls: perimeter times height; a square hall's where neither is open."""
    height_m = zone.volume_m3 / zone.floor.area_m2
    perimeter_m = zone.floor.exposed_perimeter_m or 4.0 * math.sqrt(zone.floor.area_m2)
    return perimeter_m * height_m
