"""The building as it really is, where the site file holds it as its owner believes it to be."""

from __future__ import annotations

import dataclasses
from typing import Any, TypeVar

import numpy as np

from controller.records.site import Glazing, Loop, Site, Zone

T = TypeVar("T")

_KEPT = frozenset(
    {
        "supply_limit_c", "exposed_perimeter_m",
        "relief_valve_bar", "cold_fill_bar", "cold_fill_c", "rise_bar_per_k",
    }
)  # fmt: skip
"""Settings, what stands on a valve or was read off a gauge, and a length that follows the floor
area's own distortion well enough."""


def as_built(site: Site, *, seed: int, spread: float) -> Site:
    """A site whose every measure is off by up to ``spread`` (0.25: 25 %), the same for one seed.

    Angles, settings and ids stay.

    Raises
    ------
    ValueError
        Where ``spread`` is not within 0 to 0.5.
    """
    if not 0.0 <= spread <= 0.5:
        raise ValueError(f"spread is {spread}; expected 0 to 0.5")
    rng = np.random.default_rng([seed, 7919])
    zones = tuple(_zone(zone, rng, spread) for zone in site.zones)
    loops = tuple(_loop(loop, rng, spread) for loop in site.loops)
    heaters = tuple(_distorted(heater, rng, spread) for heater in site.heaters)
    return dataclasses.replace(site, zones=zones, loops=loops, heaters=heaters)


def _zone(zone: Zone, rng: np.random.Generator, spread: float) -> Zone:
    floor = _distorted(zone.floor, rng, spread)
    deepest_m = floor.slab_thickness_m - 0.02
    floor = dataclasses.replace(floor, tube_depth_m=min(floor.tube_depth_m, deepest_m))
    surfaces = tuple(
        dataclasses.replace(
            _distorted(surface, rng, spread),
            layers=tuple(_distorted(layer, rng, spread) for layer in surface.layers),
        )
        for surface in zone.surfaces
    )
    glazing: tuple[Glazing, ...] = tuple(_glazing(part, rng, spread) for part in zone.glazing)
    changed = _distorted(zone, rng, spread)
    return dataclasses.replace(changed, floor=floor, surfaces=surfaces, glazing=glazing)


def _glazing(part: Glazing, rng: np.random.Generator, spread: float) -> Glazing:
    changed = _distorted(part, rng, spread)
    return dataclasses.replace(changed, g_value=min(changed.g_value, 0.9))


def _loop(loop: Loop, rng: np.random.Generator, spread: float) -> Loop:
    changed = _distorted(loop, rng, spread)
    return dataclasses.replace(changed, glycol_mass_fraction=min(changed.glycol_mass_fraction, 0.6))


def _distorted(record: T, rng: np.random.Generator, spread: float) -> T:
    """The record with each number times 1 +- spread; angles and settings keep their value."""
    changes: dict[str, Any] = {}
    for item in dataclasses.fields(record):  # type: ignore[arg-type]  # T is a record
        value = getattr(record, item.name)
        fixed = item.name in _KEPT or item.name.endswith("_deg")
        if isinstance(value, float) and not fixed:
            changes[item.name] = value * (1.0 + rng.uniform(-spread, spread))
    return dataclasses.replace(record, **changes)  # type: ignore[type-var]  # T is a record
