"""Heat loss of a slab on the ground by ISO 13370, steady state.

The symbols in comments are those of the edition of 2007. The slow part of the exchange with the
ground, its seasonal storage, is not treated here: the fitted offset takes it up.
"""

from __future__ import annotations

import math

from models.envelope import EXTERNAL_RESISTANCE_M2K_W, InternalSurface


def characteristic_dimension_m(*, area_m2: float, exposed_perimeter_m: float) -> float:
    """Area over half the exposed perimeter, B' [m].

    Raises
    ------
    ValueError
        Where area or perimeter is not above 0.
    """
    if not (area_m2 > 0 and exposed_perimeter_m > 0):
        raise ValueError(
            "a floor on the ground needs an area [m2] and an exposed perimeter [m] above 0, "
            f"found {area_m2} and {exposed_perimeter_m}"
        )
    return area_m2 / (0.5 * exposed_perimeter_m)


def equivalent_thickness_m(
    *, wall_thickness_m: float, soil_conductivity_w_mk: float, floor_resistance_m2k_w: float
) -> float:
    """Thickness of soil with the resistance of floor and surfaces, plus the wall, dt [m].

    ``floor_resistance_m2k_w`` holds insulation and covering; a dense concrete slab is left out.
    """
    surfaces_m2k_w = InternalSurface.DOWNWARD.value + EXTERNAL_RESISTANCE_M2K_W
    return wall_thickness_m + soil_conductivity_w_mk * (surfaces_m2k_w + floor_resistance_m2k_w)


def floor_u_w_m2k(
    *,
    characteristic_dimension_m: float,
    equivalent_thickness_m: float,
    soil_conductivity_w_mk: float,
) -> float:
    """U-value of a slab on the ground, without edge insulation [W/m2K].

    References
    ----------
    ISO 13370, slab-on-ground floor: the logarithmic form where dt < B' (uninsulated and
    moderately insulated floors), else the form for well-insulated floors (the latter recalled,
    not confirmed).
    """
    if equivalent_thickness_m < characteristic_dimension_m:
        reach_m = math.pi * characteristic_dimension_m
        return (
            2.0
            * soil_conductivity_w_mk
            / (reach_m + equivalent_thickness_m)
            * math.log(reach_m / equivalent_thickness_m + 1.0)
        )
    return soil_conductivity_w_mk / (0.457 * characteristic_dimension_m + equivalent_thickness_m)


def floor_loss_w_k(
    *,
    area_m2: float,
    exposed_perimeter_m: float,
    wall_thickness_m: float,
    soil_conductivity_w_mk: float,
    floor_resistance_m2k_w: float,
) -> float:
    """Heat loss of the whole floor for each kelvin between room and outdoors [W/K]."""
    u_w_m2k = floor_u_w_m2k(
        characteristic_dimension_m=characteristic_dimension_m(
            area_m2=area_m2, exposed_perimeter_m=exposed_perimeter_m
        ),
        equivalent_thickness_m=equivalent_thickness_m(
            wall_thickness_m=wall_thickness_m,
            soil_conductivity_w_mk=soil_conductivity_w_mk,
            floor_resistance_m2k_w=floor_resistance_m2k_w,
        ),
        soil_conductivity_w_mk=soil_conductivity_w_mk,
    )
    return area_m2 * u_w_m2k


def edge_psi_w_mk(
    *,
    strip_m: float,
    vertical: bool,
    strip_thickness_m: float,
    strip_conductivity_w_mk: float,
    soil_conductivity_w_mk: float,
    equivalent_thickness_m: float,
) -> float:
    """What edge insulation adds per metre of exposed perimeter; negative, for it saves [W/mK].

    Parameters
    ----------
    strip_m : float
        Width of a horizontal strip, or depth of a vertical one [m].
    vertical : bool
        Whether the strip stands at the edge instead of lying under it.
    strip_thickness_m, strip_conductivity_w_mk : float
        Thickness [m] and conductivity [W/mK] of the strip.
    soil_conductivity_w_mk : float
        Conductivity of the ground [W/mK].
    equivalent_thickness_m : float
        That of the floor without the strip [m].

    References
    ----------
    ISO 13370, annex on edge insulation (recalled, not confirmed). The strip takes the place of
    soil of its own thickness.
    """
    resistance_m2k_w = strip_thickness_m / strip_conductivity_w_mk
    added_m = resistance_m2k_w * soil_conductivity_w_mk - strip_thickness_m
    reach_m = 2.0 * strip_m if vertical else strip_m
    bare = math.log(reach_m / equivalent_thickness_m + 1.0)
    insulated = math.log(reach_m / (equivalent_thickness_m + added_m) + 1.0)
    return -soil_conductivity_w_mk / math.pi * (bare - insulated)
