"""Heat loss of walls, roof and windows by ISO 6946 layer sums, and of air change.

Owns the surface resistances that the other building modules use. Thermal bridges and bridged
layers are not treated: a surface with studs is described by its U-value instead.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

EXTERNAL_RESISTANCE_M2K_W = 0.04
"""External surface resistance, any direction of heat flow (ISO 6946) [m2K/W]."""

AIR_WH_M3K = 0.34
"""Heat needed to warm one cubic metre of air by one kelvin, at about 1.2 kg/m3 [Wh/m3K]."""


class InternalSurface(Enum):
    """Internal surface resistance by the direction of heat flow (ISO 6946) [m2K/W]."""

    UPWARD = 0.10
    HORIZONTAL = 0.13
    DOWNWARD = 0.17


def u_value_w_m2k(
    layers: Iterable[tuple[float, float]], *, inside: InternalSurface = InternalSurface.HORIZONTAL
) -> float:
    """U-value of plane, unbridged layers between room and outdoor air [W/m2K].

    Parameters
    ----------
    layers : iterable of (float, float)
        Thickness [m] and conductivity [W/mK] of each layer, in any order.
    inside : InternalSurface
        Direction of the heat flow at the inner surface.

    Raises
    ------
    ValueError
        Where a thickness or conductivity is not above 0.

    References
    ----------
    ISO 6946, thermal resistance of a building component of homogeneous layers.
    """
    resistance = inside.value + EXTERNAL_RESISTANCE_M2K_W
    for thickness_m, conductivity_w_mk in layers:
        if not (thickness_m > 0 and conductivity_w_mk > 0):
            raise ValueError(
                "a layer needs a thickness [m] and a conductivity [W/mK] above 0, "
                f"found {thickness_m} and {conductivity_w_mk}"
            )
        resistance += thickness_m / conductivity_w_mk
    return 1.0 / resistance


def ventilation_loss_w_k(*, volume_m3: float, air_changes_per_h: float) -> float:
    """Heat loss by air change for each kelvin between room and outdoors [W/K]."""
    return AIR_WH_M3K * air_changes_per_h * volume_m3
