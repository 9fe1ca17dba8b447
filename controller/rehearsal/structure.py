"""From the description of a workshop to its thermal network: floor, ground, envelope, loops.

Finite volumes in one dimension downwards through the floor, with the loss round its edge as arcs
through the soil; three nodes or one a layer through each wall and roof. Material values without a
source beside them are of the usual order and from memory: this is a plausible building, not a
standard calculation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.records.site import Floor, Heater, Layer, Loop, Site, Surface, Zone
from controller.rehearsal.network import Network

AIR_J_M3K = 1.2 * 1005.0
FLOOR_CONVECTION_W_M2K = 4.0
"""The linear part of convection over the floor; the workshop adds what the true one differs by."""
RADIATION_W_M2K = 5.2
"""4 sigma T^3 at 23 °C with an emissivity of 0.9."""
_WALL_CONVECTION_W_M2K = 2.5
_OUTER_RESISTANCE_M2K_W = 0.04
"""ISO 6946 external surface resistance."""
_OUTER_SUN_SHARE = 0.25
"""Share of the global irradiance that a wall or roof takes up, orientation and colour averaged."""
_SOIL_LAYERS_M = (0.1, 0.2, 0.4, 0.8, 1.5, 2.0)
_SOIL_J_M3K = 2.0e6
_INSULATION_J_M3K = 45e3
_EDGE_INSULATION_M2K_W = 0.8
_SURFACE_SKIN_M = 0.004
_FURNISHINGS_J_M2K = 15e3
_FURNISHINGS_W_M2K = 3.0
_LINING_J_M2K = 1.5e3
_BOILER_J_K = 60e3
_BOILER_LOSS_W_K = 3.0
_LOOP_NODES = 3
_LOOP_SPREAD_K = 7.0
_TUBE_WALL_M = 0.002
_TUBE_W_MK = 0.38
_FILM_FLOWING_W_M2K = 700.0
_FILM_STILL_W_M2K = 60.0


@dataclass(frozen=True, slots=True)
class ZoneNodes:
    """Where one zone's parts are in the network: node numbers, and its first input."""

    zone: Zone
    air: int
    surface: int
    slab_core: int
    tube_plane: int
    lining: int
    air_input: int
    surface_input: int
    lining_input: int


@dataclass(frozen=True, slots=True)
class Structure:
    """A heater with all it warms. Input 0 is outdoors, 1 deep soil, 2 sun on the walls.

    ``returns`` holds the last node of each of the ``loops``, in their order.
    """

    network: Network
    zones: tuple[ZoneNodes, ...]
    boiler: int
    loops: tuple[str, ...]
    returns: tuple[int, ...]
    fluid: tuple[int, ...]
    element_input: int


def build(site: Site, heater: Heater) -> Structure:
    """The network of one heater, its loops and the zones they warm."""
    net = Network()
    for name in ("outdoor", "deep_soil", "sun_on_walls"):
        net.input(name)
    zones = tuple(_zone(net, zone) for zone in site.zones_of(heater))
    boiler = net.node("boiler", _BOILER_J_K)
    element = net.input("element")
    net.feed(boiler, element, 1.0)
    net.couple(boiler, zones[0].air, _BOILER_LOSS_W_K)
    loops = [loop for loop in site.loops if loop.id in heater.loops]
    per_metre_w_mk = heater.rating_w / _LOOP_SPREAD_K / sum(loop.tube_length_m for loop in loops)
    tubes = [
        _loop(net, loop, zones, boiler=boiler, flow_w_k=per_metre_w_mk * loop.tube_length_m)
        for loop in loops
    ]
    return Structure(
        network=net,
        zones=zones,
        boiler=boiler,
        loops=tuple(loop.id for loop in loops),
        returns=tuple(tube[-1] for tube in tubes),
        fluid=tuple(node for tube in tubes for node in tube),
        element_input=element,
    )


def _zone(net: Network, zone: Zone) -> ZoneNodes:
    floor = zone.floor
    air = net.node(f"air@{zone.id}", zone.volume_m3 * AIR_J_M3K)
    wall_m2 = sum(surface.area_m2 for surface in zone.surfaces)
    lining = net.node(f"lining@{zone.id}", (wall_m2 + floor.area_m2) * _LINING_J_M2K)
    _furnishings(net, zone, air=air, lining=lining)
    surface, core, tube_plane = _floor(net, zone)
    net.couple(surface, air, FLOOR_CONVECTION_W_M2K * floor.area_m2)
    net.couple(surface, lining, RADIATION_W_M2K * floor.area_m2)
    for part in zone.surfaces:
        _envelope(net, zone, part, air=air, lining=lining)
    first = [net.input(f"{name}@{zone.id}") for name in ("air", "surface", "lining")]
    for node, source in zip((air, surface, lining), first, strict=True):
        net.feed(node, source, 1.0)
    return ZoneNodes(
        zone, air, surface, core, tube_plane, lining,
        air_input=first[0], surface_input=first[1], lining_input=first[2],
    )  # fmt: skip


def _furnishings(net: Network, zone: Zone, *, air: int, lining: int) -> None:
    area_m2 = zone.floor.area_m2
    node = net.node(f"furnishings@{zone.id}", _FURNISHINGS_J_M2K * area_m2)
    net.couple(node, air, _FURNISHINGS_W_M2K * area_m2)
    net.couple(node, lining, 0.5 * RADIATION_W_M2K * area_m2)


def slab_layers(floor: Floor) -> tuple[tuple[float, ...], int]:
    """Thicknesses [m] from the top down with the tubes in the middle of one, and which one that is.

    The tubes stay at least 15 mm inside the slab.
    """
    thickness = floor.slab_thickness_m
    depth = min(max(floor.tube_depth_m, 0.015), thickness - 0.015)
    half = min(0.0125, depth, thickness - depth)
    above, below = depth - half, thickness - depth - half
    parts_above = [above / 3] * 3 if above > 0.03 else [above] * (above > 1e-3)
    parts_below = [below / 2] * 2 if below > 0.03 else [below] * (below > 1e-3)
    return (*parts_above, 2 * half, *parts_below), len(parts_above)


def _floor(net: Network, zone: Zone) -> tuple[int, int, int]:
    """Surface, slab core and tube plane, with everything beneath them."""
    floor, area = zone.floor, zone.floor.area_m2
    volume_j_m3k = floor.slab_density_kg_m3 * floor.slab_heat_capacity_j_kgk
    surface = net.node(f"surface@{zone.id}", area * _SURFACE_SKIN_M * volume_j_m3k)
    layers, tube_layer = slab_layers(floor)
    edge_w_m2k = 1.0 / (_EDGE_INSULATION_M2K_W + 0.17)
    above, resistance = surface, floor.covering_resistance_m2k_w
    nodes = []
    for number, thick in enumerate(layers):
        node = net.node(f"slab{number}@{zone.id}", area * thick * volume_j_m3k)
        half = thick / 2 / floor.slab_conductivity_w_mk
        net.couple(above, node, area / (resistance + half))
        net.boundary(node, 0, edge_w_m2k * thick * floor.exposed_perimeter_m)
        nodes.append(node)
        above, resistance = node, half
    _ground(net, zone, above=above, resistance=resistance)
    centres = np.cumsum(layers) - np.array(layers) / 2
    core = int(np.argmin(np.abs(centres - floor.slab_thickness_m / 2)))
    return surface, nodes[core], nodes[tube_layer]


def _ground(net: Network, zone: Zone, *, above: int, resistance: float) -> None:
    """Insulation and soil down to the deep soil, with arcs through the soil to outdoors."""
    floor, area = zone.floor, zone.floor.area_m2
    if floor.insulation_thickness_m > 0.0:
        half = floor.insulation_thickness_m / 2 / floor.insulation_conductivity_w_mk
        capacity = area * floor.insulation_thickness_m * _INSULATION_J_M3K
        node = net.node(f"insulation@{zone.id}", capacity)
        net.couple(above, node, area / (resistance + half))
        above, resistance = node, half
    verge = _verge(net, zone)
    top_m = 0.0
    for number, thick in enumerate(_SOIL_LAYERS_M):
        node = net.node(f"soil{number}@{zone.id}", area * thick * _SOIL_J_M3K)
        half = thick / 2 / floor.soil_conductivity_w_mk
        net.couple(above, node, area / (resistance + half))
        net.couple(node, verge, _arc_w_k(floor, top_m=top_m, bottom_m=top_m + thick))
        above, resistance, top_m = node, half, top_m + thick
    net.boundary(above, 1, area / resistance)


def _verge(net: Network, zone: Zone) -> int:
    """The soil round the building, a metre wide and half a metre deep, open to the weather."""
    perimeter = zone.floor.exposed_perimeter_m
    verge = net.node(f"verge@{zone.id}", max(1.0, perimeter) * 0.5 * _SOIL_J_M3K)
    net.boundary(verge, 0, max(1.0, perimeter) * 6.0)
    return verge


def _arc_w_k(floor: Floor, *, top_m: float, bottom_m: float) -> float:
    """Conductance along half circles round the wall, from a soil layer to outdoors [W/K].

    The path from depth z is w + pi z long: the picture behind the ground floor of ISO 13370.
    """
    wall = floor.wall_thickness_m
    log = math.log((wall + math.pi * bottom_m) / (wall + math.pi * top_m))
    return floor.exposed_perimeter_m * floor.soil_conductivity_w_mk / math.pi * log


def _envelope(net: Network, zone: Zone, part: Surface, *, air: int, lining: int) -> None:
    layers = _layers(part)
    inside = net.node(f"{part.id}0@{zone.id}", part.area_m2 * layers[0][1])
    half = layers[0][0] / 2
    for other, film in ((air, _WALL_CONVECTION_W_M2K), (lining, RADIATION_W_M2K)):
        net.couple(other, inside, part.area_m2 / (1.0 / film + half * 7.7 / film))
    above = inside
    for number, (resistance, capacity) in enumerate(layers[1:], 1):
        node = net.node(f"{part.id}{number}@{zone.id}", part.area_m2 * capacity)
        net.couple(above, node, part.area_m2 / (half + resistance / 2))
        above, half = node, resistance / 2
    net.boundary(above, 0, part.area_m2 / (half + _OUTER_RESISTANCE_M2K_W))
    net.feed(above, 2, part.area_m2 * _OUTER_SUN_SHARE * _OUTER_RESISTANCE_M2K_W
             / (half + _OUTER_RESISTANCE_M2K_W))  # fmt: skip


def _layers(part: Surface) -> list[tuple[float, float]]:
    """Resistance [m2K/W] and capacity [J/m2K] of each layer, inside first."""
    if part.layers:
        return [_material(layer) for layer in part.layers]
    # only a U-value is known: a thin board inside and outside, insulation between
    inner, outer = (0.05, 10e3), (0.05, 12e3)
    surfaces_m2k_w = 0.13 + _OUTER_RESISTANCE_M2K_W
    core = 1.0 / (part.u_w_m2k or 1.0) - surfaces_m2k_w - inner[0] - outer[0]
    return [inner, (max(core, 0.01), 8e3), outer]


def _material(layer: Layer) -> tuple[float, float]:
    """Resistance and capacity of a layer; what it is made of is told by its conductivity."""
    if layer.conductivity_w_mk < 0.06:
        volume_j_m3k = _INSULATION_J_M3K
    elif layer.conductivity_w_mk < 0.3:
        volume_j_m3k = 0.8e6
    else:
        volume_j_m3k = 1.6e6
    return layer.thickness_m / layer.conductivity_w_mk, layer.thickness_m * volume_j_m3k


def _loop(
    net: Network, loop: Loop, zones: tuple[ZoneNodes, ...], *, boiler: int, flow_w_k: float
) -> list[int]:
    """The fluid along one loop, from the boiler through the slab and back."""
    nodes = next(nodes for nodes in zones if nodes.zone.id == loop.zone)
    content_m3 = math.pi / 4 * loop.tube_bore_m**2 * loop.tube_length_m
    capacity = content_m3 * 4.18e6 * (1.0 - 0.25 * loop.glycol_mass_fraction) / _LOOP_NODES
    before, tube = boiler, []
    for number in range(_LOOP_NODES):
        node = net.node(f"fluid{number}@{loop.id}", capacity)
        net.carry(before, node, flow_w_k, loop=loop.id)
        for flowing, film in ((True, _FILM_FLOWING_W_M2K), (False, _FILM_STILL_W_M2K)):
            to_slab_w_k = _tube_w_k(loop, nodes.zone.floor, film_w_m2k=film) / _LOOP_NODES
            net.couple(node, nodes.tube_plane, to_slab_w_k, loop=loop.id, flowing=flowing)
        before = node
        tube.append(node)
    net.carry(before, boiler, flow_w_k, loop=loop.id)
    return tube


def _tube_w_k(loop: Loop, floor: Floor, *, film_w_m2k: float) -> float:
    """Conductance from the fluid to the mean of the slab at the tubes' depth [W/K].

    In series for each metre: film, tube wall, and the way across from the tube to the mean of
    its plane, ln(spacing / (pi d)) / (2 pi lambda) (the resistance method of ISO 11855-2).
    """
    outside_m = loop.tube_bore_m + 2 * _TUBE_WALL_M
    film = 1.0 / (math.pi * loop.tube_bore_m * film_w_m2k)
    wall = math.log(outside_m / loop.tube_bore_m) / (2 * math.pi * _TUBE_W_MK)
    spread = max(floor.tube_spacing_m / (math.pi * outside_m), 1.05)
    across = math.log(spread) / (2 * math.pi * floor.slab_conductivity_w_mk)
    return loop.tube_length_m / (film + wall + across)
