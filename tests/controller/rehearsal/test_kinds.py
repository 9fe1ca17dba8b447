"""The kinds differ as their names say: by storage, by sun, by what the heater can do."""

from dataclasses import replace

import numpy as np
import pytest

from controller.records.site import Site
from controller.rehearsal.kinds import KINDS, design_load_w, of_kind
from controller.rehearsal.structure import build
from controller.rehearsal.weather import Station, Weather
from controller.rehearsal.workshop import Workshop, air_exchange_w_k, extra_convection_w

START_S = 1736726400.0  # 13 January 2025, a Monday
DESIGN_OUTDOOR_C = -10.0
"""A design day of a lowland winter in the middle latitudes; common practice, no source."""
DEEP_SOIL_C = 6.0


def described(site: Site, kind: str) -> Site:
    return of_kind(site, site.heater("boiler"), KINDS[kind])


def even_weather(outdoor_c: float) -> Weather:
    """Forty days of one temperature, no sun, a moderate wind."""
    first = int(START_S // 3600)
    rows = {first + h: (outdoor_c, 0.0, 4.0) for h in range(-24, 24 * 40)}
    return Weather("even", Station(52.0, 13.0, 0.0), typical=False, rows=rows)


def in_even_weather(site: Site, kind: str, *, outdoor_c: float) -> Workshop:
    weather = even_weather(outdoor_c)
    made = described(site, kind)
    return Workshop(made, "boiler", weather, [], start_s=START_S, seed=1, spread=0.0)


def hours_until(building: Workshop, *, on: bool, rise_k: float) -> float:
    """Hours until the room has risen (or, negative, fallen) this far."""
    start_c = building.truth()["air"]
    for minute in range(5, 60 * 96, 5):
        building.advance(300.0, on)
        moved_k = building.truth()["air"] - start_c
        if moved_k >= rise_k > 0.0 or moved_k <= rise_k < 0.0:
            return minute / 60.0
    raise AssertionError(f"the room did not move by {rise_k} K in four days")


def steady_air_c(site: Site, *, power_w: float, outdoor_c: float) -> float:
    """Room air that constant heat ends at, found without letting time pass [°C].

    Air exchange and the floor's convection depend on the temperatures: a fixed point, damped by
    half, is reached to a hundredth of a kelvin in sixty rounds.
    """
    structure = build(site, site.heater("boiler"))
    net, nodes = structure.network, structure.zones[0]
    inputs = np.zeros(len(net.inputs))
    inputs[0], inputs[1], inputs[structure.element_input] = outdoor_c, DEEP_SOIL_C, power_w
    for _ in range(60):
        steady = net.steady_c(inputs, flowing=True)
        air_c, surface_c = float(steady[nodes.air]), float(steady[nodes.surface])
        floor_w = extra_convection_w(nodes, surface_c - air_c)
        exchange_w_k = air_exchange_w_k(
            nodes, inside_k=air_c - outdoor_c, wind_m_s=4.0, door=0.0
        )  # fmt: skip
        into_air_w = floor_w - exchange_w_k * (air_c - outdoor_c)
        inputs[nodes.air_input] += 0.5 * (into_air_w - inputs[nodes.air_input])
        inputs[nodes.surface_input] += 0.5 * (-floor_w - inputs[nodes.surface_input])
    return air_c


def test_more_concrete_warms_and_cools_more_slowly(site: Site) -> None:
    """Thin, ordinary, heavy: each takes longer to rise by 4 K under 100 W/m2, and to fall 3 K."""
    rising_h, falling_h = [], []
    for kind in ("thin", "ordinary", "heavy"):
        made = described(site, kind)
        even = replace(made.heater("boiler"), rating_w=100.0 * made.zones[0].floor.area_m2)
        building = Workshop(
            replace(made, heaters=(even,)), "boiler", even_weather(0.0), [],
            start_s=START_S, seed=1, spread=0.0,
        )  # fmt: skip
        rising_h.append(hours_until(building, on=True, rise_k=4.0))
        hours_until(building, on=True, rise_k=3.0)
        building.advance(4 * 3600.0, False)  # what is on its way arrives first
        falling_h.append(hours_until(building, on=False, rise_k=-3.0))
    # half as much again from each to the next: their slabs differ by a factor of two and more
    assert rising_h[1] > 1.5 * rising_h[0]
    assert rising_h[2] > 1.5 * rising_h[1]
    assert falling_h == sorted(falling_h)


def test_weak_heater_just_holds_the_room_on_the_design_day(site: Site) -> None:
    """At full power and -10 °C outside the weak one ends at 16 to 21 °C, the others above 24 °C."""
    ends_c = {}
    for kind in KINDS:
        made = described(site, kind)
        rating_w = made.heater("boiler").rating_w
        ends_c[kind] = steady_air_c(made, power_w=rating_w, outdoor_c=DESIGN_OUTDOOR_C)
    assert 16.0 < ends_c.pop("weak") < 21.0
    assert min(ends_c.values()) > 24.0


def test_weak_heater_preheats_longer_than_the_ordinary_one(site: Site) -> None:
    """From 7 °C up by 8 K at 0 °C outside: more than half as long again in the same slab."""
    hours = {
        kind: hours_until(in_even_weather(site, kind, outdoor_c=0.0), on=True, rise_k=8.0)
        for kind in ("ordinary", "weak")
    }
    assert hours["weak"] > 1.5 * hours["ordinary"]


def test_heavy_slab_takes_less_than_all_when_it_is_warm(site: Site) -> None:
    """After three days of heat its boiler works at its supply limit, well below its rating."""
    building = in_even_weather(site, "heavy", outdoor_c=0.0)
    building.advance(600.0, True)
    assert building.truth()["power"] > 0.95 * building.heater.rating_w
    building.advance(72 * 3600.0, True)
    truth = building.truth()
    assert truth["supply"] == pytest.approx(building.heater.supply_limit_c, abs=0.01)
    assert truth["power"] < 0.8 * building.heater.rating_w


def test_thin_kind_has_the_sun_of_much_glass(site: Site, winter: Weather) -> None:
    """On a sunny noon at least twice the ordinary one's sun for each m2 of floor.

    Glass areas are 0.33 and 0.17 of the floor, at the same slopes and g-values.
    """
    lifts_k = {}
    for kind in ("thin", "ordinary"):
        made = described(site, kind)
        shades = tuple(replace(zone, glazing=()) for zone in made.zones)
        airs = []
        for variant in (made, replace(made, zones=shades)):
            building = Workshop(
                variant, "boiler", winter, [], start_s=START_S, seed=1, spread=0.0
            )  # fmt: skip
            building.advance(5 * 86400.0, False)
            airs.append(building.truth()["air"])
        lifts_k[kind] = airs[0] - airs[1]
    assert lifts_k["thin"] > 1.5 * lifts_k["ordinary"] > 0.0


@pytest.mark.parametrize("kind", list(KINDS))
def test_the_owners_place_and_plan_stay(two_zone_site: Site, kind: str) -> None:
    """Ids, areas, volumes and sensors are the owner's; tubes are laid at the kind's spacing."""
    made = described(two_zone_site, kind)
    assert made.sensors == two_zone_site.sensors
    for zone, before in zip(made.zones, two_zone_site.zones, strict=True):
        assert (zone.id, zone.volume_m3) == (before.id, before.volume_m3)
        assert zone.floor.area_m2 == before.floor.area_m2
        assert zone.floor.tube_depth_m < zone.floor.slab_thickness_m
    for loop, zone in zip(made.loops, made.zones, strict=True):
        assert loop.tube_length_m == pytest.approx(zone.floor.area_m2 / KINDS[kind].tube_spacing_m)
    load_w = sum(map(design_load_w, made.zones))
    assert made.heater("boiler").rating_w == pytest.approx(KINDS[kind].heater_share * load_w)


def test_what_another_heater_warms_stays_as_it_is(two_zone_site: Site) -> None:
    """Only the zones and loops of the heater that is rehearsed are changed."""
    first = replace(two_zone_site.heaters[0], loops=("loop-bench",))
    other = replace(two_zone_site.heaters[0], id="other", loops=("loop-paint",))
    both = replace(two_zone_site, heaters=(first, other))
    made = of_kind(both, first, KINDS["heavy"])
    assert made.zones[1] == both.zones[1]
    assert made.loops[1] == both.loops[1]
    assert made.heaters[1] == other
    assert made.zones[0] != both.zones[0]
