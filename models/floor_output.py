"""What a warm floor gives to the room: EN 1264 basic characteristic and surface coefficients."""

from __future__ import annotations

FLOOR_HEATING_W_M2K = 10.8
"""Surface coefficient of a heated floor, radiation and convection (EN 1264-5) [W/m2K]."""

_BASIC_W_M2K = 8.92
_BASIC_EXPONENT = 1.1


def floor_output_w_m2(excess_k: float) -> float:
    """Heat flux from floor to room by the basic characteristic [W/m2].

    Parameters
    ----------
    excess_k : float
        Mean floor surface above room temperature [K]; a floor that is no warmer gives nothing.

    References
    ----------
    EN 1264-2, basic characteristic: q = 8.92 (floor - room)^1.1 (clause recalled, not
    confirmed).
    """
    return _BASIC_W_M2K * float(max(0.0, excess_k) ** _BASIC_EXPONENT)


def floor_excess_k(flux_w_m2: float) -> float:
    """Floor surface above room temperature at which it gives this flux, the inverse [K]."""
    return float((max(0.0, flux_w_m2) / _BASIC_W_M2K) ** (1.0 / _BASIC_EXPONENT))


def slab_to_room_w_k(
    *,
    area_m2: float,
    tube_depth_m: float,
    slab_conductivity_w_mk: float,
    covering_resistance_m2k_w: float = 0.0,
) -> float:
    """Conductance from the slab at the tubes to the room: concrete, covering, surface [W/K].

    ``tube_depth_m`` is the concrete above the tubes [m].
    """
    resistance_m2k_w = (
        tube_depth_m / slab_conductivity_w_mk
        + covering_resistance_m2k_w
        + 1.0 / FLOOR_HEATING_W_M2K
    )
    return area_m2 / resistance_m2k_w
