"""Ground floor, envelope and floor output against published and worked values."""

from __future__ import annotations

import math

import pytest

from models.envelope import (
    AIR_WH_M3K,
    EXTERNAL_RESISTANCE_M2K_W,
    InternalSurface,
    u_value_w_m2k,
    ventilation_loss_w_k,
)
from models.floor_output import (
    FLOOR_HEATING_W_M2K,
    floor_excess_k,
    floor_output_w_m2,
    slab_to_room_w_k,
)
from models.ground_floor import (
    characteristic_dimension_m,
    edge_psi_w_mk,
    equivalent_thickness_m,
    floor_loss_w_k,
    floor_u_w_m2k,
)

CLAY_W_MK = 1.5


def clay_u(perimeter_over_area: float, floor_resistance_m2k_w: float = 0.0) -> float:
    """U-value on clay with walls of 0.3 m, as in the published tables."""
    return floor_loss_w_k(
        area_m2=1.0,
        exposed_perimeter_m=perimeter_over_area,
        wall_thickness_m=0.3,
        soil_conductivity_w_mk=CLAY_W_MK,
        floor_resistance_m2k_w=floor_resistance_m2k_w,
    )


@pytest.mark.parametrize(
    ("perimeter_over_area", "u_w_m2k"),
    [
        (0.05, 0.126),
        (0.10, 0.219),
        (0.15, 0.299),
        (0.20, 0.370),
        (0.25, 0.435),
        (0.30, 0.495),
        (0.35, 0.551),
        (0.40, 0.603),
        (0.45, 0.651),
        (0.50, 0.698),
        (0.55, 0.741),
        (0.60, 0.783),
        (0.70, 0.859),
        (0.80, 0.929),
        (0.90, 0.993),
        (1.00, 1.051),
    ],
)
def test_g1_uninsulated_on_clay(perimeter_over_area: float, u_w_m2k: float) -> None:
    """G1: ISO 13370; equals the CIBSE Guide A / UK clay table within 0.01 (from memory)."""
    assert clay_u(perimeter_over_area) == pytest.approx(u_w_m2k, abs=0.001)


@pytest.mark.parametrize(
    ("resistance", "u_w_m2k"),
    [(0.5, 0.500), (1.0, 0.396), (1.5, 0.327), (2.0, 0.278), (2.5, 0.242)],
)
def test_g2_insulated_on_clay(resistance: float, u_w_m2k: float) -> None:
    """G2: the same at P/A 0.5 with insulation, past the join of the two forms."""
    assert clay_u(0.5, resistance) == pytest.approx(u_w_m2k, abs=0.001)


def test_g3_published_worked_example() -> None:
    """G3: worked example to UK Approved Document L (geometry published), direct U 0.761."""
    area_m2, perimeter_m = 10.2 * 6.7 - 3.5 * 2.7, 2 * (10.2 + 6.7)
    assert clay_u(perimeter_m / area_m2) == pytest.approx(0.761, abs=0.01)


def test_g4_both_forms_meet() -> None:
    """G4: at dt = B' the two forms differ by 0.014 %: 0.686248 against 0.686342 (recalled form)."""

    def at(thickness_m: float) -> float:
        return floor_u_w_m2k(
            characteristic_dimension_m=1.0,
            equivalent_thickness_m=thickness_m,
            soil_conductivity_w_mk=1.0,
        )

    both = sorted((at(1.0), at(1.0 - 1e-9)))
    assert both == pytest.approx([0.686248, 0.686342], abs=1e-6)


def test_g6_large_floor_of_the_three_dimensional_check() -> None:
    """G6: ISO 13370 on the 12 m square gives 2508.9 W, 3.1 % above the half-space solution.

    That solution is 2432.6 W: Delsante, Stokes, Walsh 1983, as in IEA BESTEST ground coupling
    GC10a (NREL/TP-550-43388, from memory).
    """
    u = floor_u_w_m2k(
        characteristic_dimension_m=3.0 * 2.0,
        equivalent_thickness_m=0.24,
        soil_conductivity_w_mk=1.9,
    )
    flow_w = u * 144.0 * 20.0
    assert flow_w == pytest.approx(2508.9, abs=0.1)
    assert flow_w == pytest.approx(2432.6, rel=0.035)


@pytest.mark.parametrize(
    ("floor_resistance", "thickness_m", "u_w_m2k", "loss_w_k"),
    [(0.0, 0.72, 0.96425, 46.284), (0.100 / 0.035, 6.4343, 0.24996, 11.998)],
)
def test_g7_workshop(
    floor_resistance: float, thickness_m: float, u_w_m2k: float, loss_w_k: float
) -> None:
    """G7: 8 x 6 m on soil of 2.0 W/mK, bare and with 100 mm at 0.035 (ISO 13370)."""
    b = characteristic_dimension_m(area_m2=48.0, exposed_perimeter_m=28.0)
    dt = equivalent_thickness_m(
        wall_thickness_m=0.3,
        soil_conductivity_w_mk=2.0,
        floor_resistance_m2k_w=floor_resistance,
    )
    u = floor_u_w_m2k(
        characteristic_dimension_m=b, equivalent_thickness_m=dt, soil_conductivity_w_mk=2.0
    )
    loss = floor_loss_w_k(
        area_m2=48.0,
        exposed_perimeter_m=28.0,
        wall_thickness_m=0.3,
        soil_conductivity_w_mk=2.0,
        floor_resistance_m2k_w=floor_resistance,
    )
    assert b == pytest.approx(3.4286, abs=1e-4)
    assert dt == pytest.approx(thickness_m, abs=1e-4)
    assert u == pytest.approx(u_w_m2k, abs=1e-4)
    assert loss == pytest.approx(loss_w_k, abs=1e-3)  # the last digit given


@pytest.mark.parametrize(
    ("sides_m", "iso", "ihve"),
    [
        ((15.0, 15.0), 0.456, 0.45),
        ((15.0, 7.5), 0.603, 0.62),
        ((7.5, 7.5), 0.727, 0.76),
        ((30.0, 30.0), 0.273, 0.26),
        ((60.0, 60.0), 0.159, 0.15),
    ],
)
def test_g8_older_table(sides_m: tuple[float, float], iso: float, ihve: float) -> None:
    """G8: IHVE Guide A3 1977, four exposed edges, is met within 7 %."""
    u = clay_u(2 * sum(sides_m) / math.prod(sides_m))
    assert u == pytest.approx(iso, abs=0.001)
    assert u == pytest.approx(ihve, rel=0.07)


@pytest.mark.parametrize(
    ("strip_m", "vertical", "psi"),
    [(0.5, False, -0.2513), (1.0, False, -0.3955), (0.5, True, -0.3955), (1.0, True, -0.5602)],
)
def test_g10_edge_strip(strip_m: float, vertical: bool, psi: float) -> None:
    """G10: edge insulation of 50 mm at 0.035 (ISO 13370 annex, from memory)."""
    found = edge_psi_w_mk(
        strip_m=strip_m,
        vertical=vertical,
        strip_thickness_m=0.050,
        strip_conductivity_w_mk=0.035,
        soil_conductivity_w_mk=2.0,
        equivalent_thickness_m=0.72,
    )
    assert found == pytest.approx(psi, abs=1e-4)


def test_g11_surface_resistances() -> None:
    """G11: ISO 6946 (0.17 and 0.04 seen in print, the others from memory)."""
    assert InternalSurface.UPWARD.value == 0.10
    assert InternalSurface.HORIZONTAL.value == 0.13
    assert InternalSurface.DOWNWARD.value == 0.17
    assert EXTERNAL_RESISTANCE_M2K_W == 0.04


def test_g12_wall() -> None:
    """G12: plasterboard, 100 mm insulation, brick: R 2.85312, U 0.35049 (ISO 6946 sum)."""
    u = u_value_w_m2k([(0.0125, 0.25), (0.10, 0.04), (0.1025, 0.77)])
    assert 1.0 / u == pytest.approx(2.85312, abs=1e-5)
    assert u == pytest.approx(0.35049, abs=1e-5)


def test_ventilation_loss() -> None:
    """Half an air change of 150 m3 loses 25.5 W/K: 0.34 Wh/m3K is 1.2 kg/m3 x 1005 J/kgK."""
    assert ventilation_loss_w_k(volume_m3=150.0, air_changes_per_h=0.5) == pytest.approx(25.5)
    assert pytest.approx(1.2 * 1005.0 / 3600.0, rel=0.02) == AIR_WH_M3K  # rounded up in trade


@pytest.mark.parametrize(
    ("excess_k", "flux"),
    [(1, 8.920), (2, 19.120), (5, 52.388), (9, 100.007), (10, 112.296), (15, 175.414)],
)
def test_f1_basic_characteristic(excess_k: float, flux: float) -> None:
    """F1: EN 1264-2 / ISO 11855-2 basic characteristic (clause from memory)."""
    assert floor_output_w_m2(excess_k) == pytest.approx(flux, abs=0.01)


@pytest.mark.parametrize(("flux", "excess_k"), [(50, 4.7924), (100, 8.9994), (175, 14.9678)])
def test_f2_inverse(flux: float, excess_k: float) -> None:
    """F2: the inverse, to the last digit given."""
    assert floor_excess_k(flux) == pytest.approx(excess_k, abs=1e-4)
    assert floor_output_w_m2(floor_excess_k(flux)) == pytest.approx(flux, rel=1e-12)


@pytest.mark.parametrize(
    ("surface_c", "room_c", "flux"), [(29, 20, 100), (35, 20, 175), (33, 24, 100)]
)
def test_f3_limit_heat_flux(surface_c: float, room_c: float, flux: float) -> None:
    """F3: the flux limits that EN 1264 gives with its surface limits (from memory), 0.5 W/m2."""
    assert floor_output_w_m2(surface_c - room_c) == pytest.approx(flux, abs=0.5)


def test_f6_and_slab_to_room() -> None:
    """F6: 10.8 W/m2K for floor heating (EN 1264-5, from memory), alone and under concrete."""
    assert FLOOR_HEATING_W_M2K == 10.8
    bare = slab_to_room_w_k(area_m2=48.0, tube_depth_m=0.0, slab_conductivity_w_mk=2.0)
    assert bare == pytest.approx(48.0 * 10.8)
    # R5: 303.6 kJ/m2K of slab through 10.8 W/m2K takes 7.81 h
    assert 303.6e3 * 48.0 / bare / 3600.0 == pytest.approx(7.81, abs=0.005)
    deep = slab_to_room_w_k(
        area_m2=48.0,
        tube_depth_m=0.1,
        slab_conductivity_w_mk=2.0,
        covering_resistance_m2k_w=0.05,
    )
    assert 48.0 / deep == pytest.approx(1 / 10.8 + 0.05 + 0.05)


def test_floor_no_warmer_than_the_room_gives_nothing() -> None:
    """Neither direction of the characteristic leaves the real numbers below 0."""
    assert floor_output_w_m2(-2.0) == 0.0
    assert floor_excess_k(-10.0) == 0.0


def test_absurd_buildings_are_refused() -> None:
    """No area, no perimeter or no conductivity: a message, not a division by zero."""
    with pytest.raises(ValueError, match="perimeter"):
        characteristic_dimension_m(area_m2=48.0, exposed_perimeter_m=0.0)
    with pytest.raises(ValueError, match="conductivity"):
        u_value_w_m2k([(0.1, 0.0)])
