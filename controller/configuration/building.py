"""Reads what the site file says of a zone's building: floor, envelope, glass.

The spans are there to catch a slipped unit or decimal point; they are wider than anything sensible.
Bounds and defaults without a source beside them are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

from controller.configuration import guesses
from controller.configuration.fields import Fields
from controller.configuration.kinds import Kind, number, text
from controller.records.site import Floor, Glazing, Layer, Surface, Zone

_M_PER_MM = 1e-3

# typical of the design values for concrete and soil in ISO 10456 (from memory)
CONCRETE_CONDUCTIVITY_W_MK = 2.0
CONCRETE_DENSITY_KG_M3 = 2300.0
CONCRETE_HEAT_CAPACITY_J_KGK = 880.0
SOIL_CONDUCTIVITY_W_MK = 2.0

_USUAL: Mapping[str, tuple[Kind[float], float]] = {
    "slab_conductivity_w_mk": (number(0.3, 5), CONCRETE_CONDUCTIVITY_W_MK),
    "slab_density_kg_m3": (number(400, 3500), CONCRETE_DENSITY_KG_M3),
    "slab_heat_capacity_j_kgk": (number(600, 1500), CONCRETE_HEAT_CAPACITY_J_KGK),
    "insulation_conductivity_w_mk": (number(0.005, 0.3), 0.035),
    "covering_resistance_m2k_w": (number(0, 0.5), 0.0),
    "soil_conductivity_w_mk": (number(0.3, 5), SOIL_CONDUCTIVITY_W_MK),
}
"""Keys of a floor that have a material's usual value where they are left out."""
_AREA_M2 = number(0.1, 5000)
_U_VALUE_W_M2K = number(0.05, 10)
_CONDUCTIVITY_W_MK = number(0.005, 400)
_LAYER_MM = number(0.1, 2000)


def read_zone(zone_id: str, fields: Fields) -> Zone:
    """Read one zone; of its building the floor's area alone must be told."""
    told = _Told(fields)
    with fields:
        name = fields.read_or("name", text(), zone_id)
        floor, guessed = _floor(fields.table("floor"))
        volume_m3 = told.or_guess("volume_m3", number(5, 50_000), guesses.volume_m3(floor.area_m2))
        zone = Zone(
            id=zone_id,
            name=name,
            volume_m3=volume_m3,
            air_changes_per_h=told.or_guess(
                "air_changes_per_h", number(0.01, 10), guesses.AIR_CHANGES_PER_H
            ),
            floor=floor,
            surfaces=_envelope(fields, told, floor.area_m2),
            glazing=tuple(_glazing(pane) for pane in fields.listed("glazing")),
            guessed=(*told.guessed, *(f"floor.{key}" for key in guessed)),
        )
    if zone.floor.area_m2 > zone.volume_m3 / 1.5:
        fields.blame(
            "volume_m3",
            f"the volume {zone.volume_m3:g} m3 leaves the room above {zone.floor.area_m2:g} m2 "
            "of floor lower than 1.5 m",
            "give area times height",
        )
    return zone


class _Told:
    """Reads keys that may be left out for an ordinary workshop's values, and notes which were."""

    def __init__(self, fields: Fields) -> None:
        self._fields = fields
        self.guessed: list[str] = []

    def has(self, key: str) -> bool:
        """Whether the file gives a key; one that it does not is noted as guessed."""
        if not self._fields.has(key) and self._fields.readable:
            self.guessed.append(key)
        return self._fields.has(key)

    def or_guess(self, key: str, kind: Kind[float], guess: float) -> float:
        """A number, or the guess."""
        self.has(key)
        return self._fields.read_or(key, kind, guess)

    def mm_or_guess(self, key: str, kind: Kind[float], guess_mm: float) -> float:
        """A length that the file gives in millimetres [m]."""
        return self.or_guess(key, kind, guess_mm) * _M_PER_MM


def _floor(fields: Fields) -> tuple[Floor, list[str]]:
    """Read a floor; and the keys whose values are guessed."""
    told = _Told(fields)
    with fields:
        area_m2 = fields.read("area_m2", number(1, 5000))
        slab_m = told.mm_or_guess("slab_thickness_mm", number(20, 600), guesses.SLAB_THICKNESS_MM)
        middle_mm = 0.5 * slab_m / _M_PER_MM
        insulation_mm, wall_mm = guesses.INSULATION_THICKNESS_MM, guesses.WALL_THICKNESS_MM
        usual = {key: fields.read_or(key, kind, value) for key, (kind, value) in _USUAL.items()}
        floor = Floor(
            area_m2=area_m2,
            exposed_perimeter_m=told.or_guess(
                "exposed_perimeter_m", number(0, 1000), guesses.perimeter_m(area_m2)
            ),
            slab_thickness_m=slab_m,
            tube_depth_m=told.mm_or_guess("tube_depth_mm", number(10, 590), middle_mm),
            tube_spacing_m=told.mm_or_guess(
                "tube_spacing_mm", number(50, 600), guesses.TUBE_SPACING_MM
            ),
            insulation_thickness_m=told.mm_or_guess(
                "insulation_thickness_mm", number(0, 600), insulation_mm
            ),
            wall_thickness_m=told.mm_or_guess("wall_thickness_mm", number(20, 1500), wall_mm),
            **usual,
        )
    if floor.tube_depth_m >= floor.slab_thickness_m:
        fields.blame(
            "tube_depth_mm",
            f"the tubes lie {floor.tube_depth_m * 1e3:g} mm deep in a slab of "
            f"{floor.slab_thickness_m * 1e3:g} mm",
            "give the depth of the tubes' centre below the slab's upper face",
        )
    return floor, told.guessed


def _envelope(fields: Fields, told: _Told, area_m2: float) -> tuple[Surface, ...]:
    if not told.has("envelope"):
        return guesses.envelope(area_m2)
    return tuple(_surface(part, below) for part, below in fields.tables("envelope"))


def _surface(surface_id: str, fields: Fields) -> Surface:
    with fields:
        area_m2 = fields.read("area_m2", _AREA_M2)
        layers = tuple(_layer(layer) for layer in fields.listed("layers"))
        if fields.has("layers"):
            u_w_m2k = fields.read_or("u_value_w_m2k", _U_VALUE_W_M2K, None)
        else:
            u_w_m2k = fields.read("u_value_w_m2k", _U_VALUE_W_M2K)
    if fields.has("layers") and u_w_m2k is not None:
        fields.blame(
            "u_value_w_m2k",
            f"the part {surface_id} has both a U-value and layers",
            "give one of them",
        )
    return Surface(id=surface_id, area_m2=area_m2, u_w_m2k=u_w_m2k, layers=layers)


def _layer(fields: Fields) -> Layer:
    with fields:
        return Layer(
            thickness_m=fields.read("thickness_mm", _LAYER_MM) * _M_PER_MM,
            conductivity_w_mk=fields.read("conductivity_w_mk", _CONDUCTIVITY_W_MK),
        )


def _glazing(fields: Fields) -> Glazing:
    with fields:
        return Glazing(
            area_m2=fields.read("area_m2", _AREA_M2),
            azimuth_deg=fields.read("azimuth_deg", number(0, 360)),
            tilt_deg=fields.read_or("tilt_deg", number(0, 180), 90.0),
            g_value=fields.read_or("g_value", number(0.05, 0.95), 0.6),
        )
