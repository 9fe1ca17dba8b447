"""One workshop, described as its owner would, and one winter."""

from datetime import UTC, datetime

import pytest

from controller.records.sessions import Session
from controller.records.site import (
    Broker,
    Floor,
    Glazing,
    Heater,
    Loop,
    Relay,
    Role,
    Sensor,
    Site,
    Surface,
    Zone,
)
from controller.rehearsal.weather import DEFAULT_WEATHER, Weather, read_weather

START_S = datetime(2025, 1, 13, tzinfo=UTC).timestamp()
HOUR_S = 3600.0
DAY_S = 86400.0


def make_zone(zone_id: str = "bench") -> Zone:
    floor = Floor(
        area_m2=48.0, exposed_perimeter_m=28.0, slab_thickness_m=0.15, slab_conductivity_w_mk=2.0,
        slab_density_kg_m3=2300.0, slab_heat_capacity_j_kgk=880.0, tube_depth_m=0.08,
        tube_spacing_m=0.2, insulation_thickness_m=0.1, insulation_conductivity_w_mk=0.035,
        covering_resistance_m2k_w=0.0, wall_thickness_m=0.3, soil_conductivity_w_mk=2.0,
    )  # fmt: skip
    surfaces = (
        Surface("walls", 70.0, u_w_m2k=0.4),
        Surface("roof", 52.0, u_w_m2k=0.25),
        Surface("windows", 6.0, u_w_m2k=1.6),
    )
    glass = (Glazing(area_m2=5.0, azimuth_deg=180.0, tilt_deg=90.0, g_value=0.6),)
    return Zone(zone_id, zone_id.title(), floor, 144.0, 0.6, surfaces, glass)


def _sensor(role: Role, subject: str, unit: str) -> Sensor:
    return Sensor(f"{subject}-{role.value}", role, subject, f"t/{subject}/{role.value}", unit)


def make_site(zones: tuple[Zone, ...]) -> Site:
    loops = tuple(Loop(f"loop-{z.id}", z.id, 230.0, 0.016, 0.3) for z in zones)
    rating_w = 9000.0 * len(zones)
    heater = Heater("boiler", rating_w, 50.0, tuple(x.id for x in loops), Relay("t/r", True))
    sensors = [_sensor(role, zone.id, "°C") for zone in zones for role in (Role.SLAB, Role.AIR)]
    sensors += [
        _sensor(Role.OUTDOOR, "outdoor", "°C"),
        _sensor(Role.SUPPLY, "boiler", "°C"),
        _sensor(Role.POWER, "boiler", "W"),
    ]
    return Site(
        id="shed", time_zone="America/New_York", latitude_deg=36.1, longitude_deg=-79.95,
        store="var", broker=Broker("localhost", 1883), zones=zones, loops=loops,
        heaters=(heater,), sensors=tuple(sensors),
    )  # fmt: skip


@pytest.fixture(scope="session")
def site() -> Site:
    return make_site((make_zone(),))


@pytest.fixture(scope="session")
def two_zone_site() -> Site:
    return make_site((make_zone("bench"), make_zone("paint")))


@pytest.fixture(scope="session")
def winter() -> Weather:
    return read_weather(DEFAULT_WEATHER)


@pytest.fixture(scope="session")
def evening() -> Session:
    """Three hours on the third evening, 18 °C."""
    start_s = START_S + 2 * DAY_S + 23 * HOUR_S
    return Session("evening@2025-01-15", "bench", start_s, start_s + 3 * HOUR_S, 18.0)
