"""Every fault of a site file is named at its place; a sound one becomes the record it says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.configuration import load_all
from controller.records.site import Broker, Layer, Loop, Relay, Role, Sensor

Breaking = Callable[[str, str, str], Any]
Replace = Callable[[str, str, str], list[tuple[str, int, int]]]


# what stands in the site file, what it is replaced by (‸ marks each expected place), words of the
# first problem
VALUES = [
    ("id: slipway", "id: ‸Slip_Way", "id is 'Slip_Way', no id; it must be an id of lower-case"),
    ("id: slipway", "‸id:", "id is without a value"),
    ("id: slipway\n", "‸", "id is missing; give an id"),
    ("Europe/Berlin", "‸Europe/Berlim", "unknown (nearest: Europe/Berlin)"),
    ("Europe/Berlin", "‸../../etc/passwd", "unknown"),
    ("Europe/Berlin", "‸Europe", "unknown"),
    ("54.3", "‸91", "latitude_deg is '91', out of its span; it must be a number from -90 to 90"),
    ("10.1", "‸10,1", "a number with a comma where a point belongs"),
    ("10.1", "‸.nan", "not a finite number"),
    ("10.1", "‸-.inf", "not a finite number"),
    ("10.1", "‸1e999", "not a finite number"),
    ("10.1", "‸east", "not a number"),
    ("10.1", '‸"10.1"', "longitude_deg is text, for it is in quotes"),
    ("10.1", "‸[10.1]", "longitude_deg is a list"),
    ("10.1", "‸{a: 1}", "longitude_deg is a mapping"),
    ("../state", "‸~/state", "no folder"),
    ("../state", "‸site.yaml", "site.yaml is a file; give a folder"),
    ("{host: localhost}", "‸localhost", "broker is the single text 'localhost'"),
    ("{host: localhost}", "{host: ‸'a b'}", "no host name"),
    ("{host: localhost}", "{host: ‸'localhost:1883'}", "a port stands under port"),
    ("{host: localhost}", "{host: '::1', port: ‸0}", "a whole number from 1 to 65535"),
    ("{host: localhost}", "{host: a, port: ‸0}", "a whole number from 1 to 65535"),
    ("{host: localhost}", "{host: a, port: ‸1.5}", "not whole"),
    ("{host: localhost}", "{host: a, protocol: ‸3.1}", "one of 3.1.1, 5"),
    ("volume_m3: 150", "volume_m3: ‸50", "lower than 1.5 m"),
    ("slab_thickness_mm: 150", "slab_thickness_mm: ‸0.15", "a number from 20 to 600"),
    ("slab_thickness_mm: 150", "‸slab_thicknes_mm: 150", "nearest known key is slab_thickness_mm"),
    ("      area_m2: 40\n", "", "zones.hall.floor.area_m2 is missing"),
    ("tube_depth_mm: 75", "tube_depth_mm: ‸150", "the tubes lie 150 mm deep in a slab of 150 mm"),
    ("u_value_w_m2k: 0.4", "u_value_w_m2k: ‸40", "a number from 0.05 to 10"),
    ("        u_value_w_m2k: 0.4\n", "", "zones.hall.envelope.walls.u_value_w_m2k is missing"),
    ("area_m2: 45", "area_m2: 45\n        u_value_w_m2k: ‸0.2", "both a U-value and layers"),
    ("        layers:\n          - {th", "        layers: ‸[]\n        #", "is an empty list"),
    ("thickness_mm: 200, c", "‸thicknes_mm: 200, c", "in zones.hall.envelope.roof.layers[1]"),
    ("glycol_mass_percent: 30", "glycol_mass_percent: ‸0.3e3", "a number from 0 to 60"),
    (
        "glycol_mass_percent: 30",
        "glycol_mass_percent: 30, cold_fill_bar: ‸1.9",
        "cold_fill_bar 1.9 leaves no room below relief_valve_bar 2.5; give at most 1.8",
    ),
    (
        "glycol_mass_percent: 30",
        "glycol_mass_percent: 30, relief_valve_bar: ‸0.5",
        "a number from 1.5 to 6",
    ),
    ("rating_kw: 6", "rating_kw: ‸6000", "a number from 0.2 to 200"),
    ("leases: true", "leases: ‸no", "leases is 'no', a text here, neither true nor false"),
    ("leases: true", "leases: ‸'true'", "leases is text, for it is in quotes"),
    ("leases: true", "leases: ‸false", "without a hard-wired drop-out time; give drop_out_s"),
    ("leases: true", "leases: false\n      drop_out_s: ‸5", "a number from 20 to 900"),
    ("topic: slipway/air", "topic: ‸slipway/+", "a topic with a wildcard"),
    ("topic: slipway/air", "topic: ‸'#'", "a topic with a wildcard"),
    ("topic: slipway/air", "topic: ‸slipway/command", "is the command topic of the heater boiler"),
    ("slipway/report", "‸slipway/command", "is the command topic of the heater boiler"),
    ("topic: slipway/air", "topic: ‸$SYS/air", "no topic"),
    ("value_pointer: /v", "value_pointer: ‸v", "no JSON Pointer"),
    ("value_pointer: /v", "value_pointer: ‸/a~2", "no JSON Pointer"),
    ("value_pointer: /v", f"value_pointer: ‸{'/' * 40}~", "no JSON Pointer"),
    ("role: outdoor", "role: ‸outdor", "unknown (nearest: outdoor)"),
    ("unit: °F", "unit: ‸bar", "no unit of the role air; it must be °C or °F"),
    ("unit: °F", "unit: ‸kelvin", "no unit of the role air"),
    ("unit: pulses, ", "unit: kWh, ", "pulses_per_kwh and the unit pulses belong together"),
    (", pulses_per_kwh: 800", "", "pulses_per_kwh and the unit pulses belong together"),
]


@pytest.mark.parametrize(("old", "new", "words"), VALUES)
def test_a_single_fault_is_named_at_its_place(
    broken: Breaking, old: str, new: str, words: str
) -> None:
    """One fault gives one problem, where it is marked, in words that say what would be right."""
    found = broken("site", old, new)
    assert len(found.problems) == 1, [str(problem) for problem in found.problems]
    assert words in str(found.problems[0])
    assert not found.marked or found.places == found.marked


SPARE_LOOP = "  ‸spare: {zone: hall, tube_length_m: 9, tube_bore_mm: 9, glycol_mass_percent: 0}\n"

RELATIONS = [
    ("zone: hall", "zone: ‸hal", "no zone is called 'hal'; the nearest is hall"),
    ("[hall-loop]", "[‸hall-lop]", "no loop is called 'hall-lop'; the nearest is hall-loop"),
    ("[hall-loop]", "[hall-loop, ‸hall-loop]", "fed by the heater boiler already"),
    ("heaters:", SPARE_LOOP + "heaters:", "no heater feeds the loop spare"),
    ("slab, subject: hall", "slab, subject: ‸hal", "but the role slab belongs to one"),
    ("subject: boiler", "subject: ‸hall-loop", "but the role energy belongs to one"),
    ("role: outdoor,", "role: outdoor, subject: ‸hall,", "there is outdoor"),
    ("role: slab,", "role: ‸slap,", "unknown (nearest: slab)"),
    ("  slab: {role: slab, subject: hall, ", "  ‸slab: {role: slab, ", "slab.subject is missing"),
    ("role: slab,", "role: floor_surface,", "hall has no sensor of the role slab"),
    ("slipway/meter", "‸slipway/outdoor", "the sensor sky reads this very value already"),
    ("  sky: {", "  ‸boiler-relay: {", "that of the relay's own report"),
]


@pytest.mark.parametrize(("old", "new", "words"), RELATIONS)
def test_parts_that_do_not_fit_together_are_named(
    broken: Breaking, old: str, new: str, words: str
) -> None:
    """What one part says of another is checked, and blamed once, on the part that says it."""
    found = broken("site", old, new)
    assert len(found.problems) == 1, [str(problem) for problem in found.problems]
    assert words in str(found.problems[0])
    assert not found.marked or found.places == found.marked


REFERRED_TO = [
    ("zones:\n  hall:", "zones:\n  ‸outdoor:", "that of the outdoors already"),
    ("  boiler:\n", "  ‸hall:\n", "the id hall of a heater is that of a zone already"),
    ("  hall-loop: {", "  ‸hall: {", "the id hall of a loop is that of a zone already"),
]


@pytest.mark.parametrize(("old", "new", "words"), REFERRED_TO)
def test_zones_loops_and_heaters_have_ids_of_their_own(
    broken: Breaking, old: str, new: str, words: str
) -> None:
    """An id that two things share is named; what refers to the lost id is named as well."""
    found = broken("site", old, new)
    (place,) = found.marked
    told = [str(p) for p, at in zip(found.problems, found.places, strict=True) if at == place]
    assert words in "\n".join(told)
    assert len(found.problems) > 1


def test_a_zone_without_loop_or_air_sensor_is_named(broken: Breaking) -> None:
    """A second zone that nothing warms or measures gives three problems at its id."""
    again = "  ‸loft:\n    volume_m3: 90\n    air_changes_per_h: 1\n    floor: {area_m2: 20, "
    again += "exposed_perimeter_m: 9, slab_thickness_mm: 90, tube_depth_mm: 40, tube_spacing_mm: 99"
    again += ", insulation_thickness_mm: 50, wall_thickness_mm: 99}\n    envelope:\n"
    again += "      all: {area_m2: 50, u_value_w_m2k: 1}\nloops:"
    found = broken("site", "loops:\n", again + "\n")
    # bookings name no zone, which is fine in a site of one zone only
    here = [str(p) for p in found.problems if Path(p.file).name == "site.yaml"]
    assert [text.partition("the zone loft")[2] for text in sorted(here)] == [
        "; describe its loop",
        " has no sensor of the role air; fit one: slab and air are needed in every zone",
        " has no sensor of the role slab; fit one: slab and air are needed in every zone",
    ]
    assert set(found.places) >= set(found.marked)
    assert len([p for p in found.problems if "zone is missing" in p.wrong]) == 2


def test_two_heaters_may_not_share_a_command_topic(broken: Breaking, replace: Replace) -> None:
    """A second heater with the first one's command topic is named at that topic."""
    second = "  stove: {rating_kw: 2, supply_limit_c: 50, loops: [stove-loop], relay: "
    second += "{command_topic: ‸slipway/command, leases: true}}\nsensors:"
    replace("site", "heaters:", SPARE_LOOP.replace("‸spare", "stove-loop") + "heaters:")
    found = broken("site", "sensors:", second)
    (problem,) = found.problems
    assert "commanded by slipway/command already" in problem.wrong
    assert found.places == found.marked


def test_a_sound_site_becomes_the_record_that_it_says(folder: Path) -> None:
    """Keys, units and defaults arrive in the record's own units."""
    site = load_all(folder / "site.yaml").site
    floor = site.zone("hall").floor
    assert (site.id, site.time_zone, site.broker) == (
        "slipway",
        "Europe/Berlin",
        Broker("localhost", 1883, "5"),
    )
    assert floor.slab_thickness_m == pytest.approx(0.15)
    assert floor.tube_depth_m == pytest.approx(0.075)
    # ISO 10456, typical concrete and soil, from memory
    assert (floor.slab_conductivity_w_mk, floor.slab_density_kg_m3) == (2.0, 2300.0)
    assert (floor.slab_heat_capacity_j_kgk, floor.soil_conductivity_w_mk) == (880.0, 2.0)
    walls, roof = site.zone("hall").surfaces
    assert (walls.u_w_m2k, walls.layers) == (0.4, ())
    assert (roof.u_w_m2k, roof.layers) == (None, (Layer(0.2, 0.04),))
    assert site.loops == (Loop("hall-loop", "hall", 200.0, 0.016, 0.3),)
    assert site.heater("boiler").rating_w == 6000.0
    assert site.heater("boiler").relay == Relay("slipway/command", True, None, "slipway/report")


def test_sensors_have_house_spellings_and_the_relay_reads_itself_back(folder: Path) -> None:
    """Units are spelt one way, outdoor is understood, and a reporting relay brings its sensor."""
    sensors = {sensor.id: sensor for sensor in load_all(folder / "site.yaml").site.sensors}
    assert sensors["slab"].unit == "°C"
    assert (sensors["sky"].subject, sensors["air"].value_pointer) == ("outdoor", "/v")
    assert sensors["meter"].pulses_per_kwh == 800.0
    assert sensors["boiler-relay"] == Sensor(
        "boiler-relay", Role.RELAY_STATE, "boiler", "slipway/report", "on/off", "/heat"
    )


def test_a_relay_sensor_of_the_owners_own_is_left_alone(folder: Path, replace: Replace) -> None:
    """Where the site file has a relay_state sensor for the heater, none is added."""
    own = "sensors:\n  state: {role: relay_state, subject: boiler, topic: x/y, unit: on/off}\n"
    replace("site", "sensors:\n", own)
    sensors = load_all(folder / "site.yaml").site.sensors
    assert [s.id for s in sensors if s.role is Role.RELAY_STATE] == ["state"]


def test_a_relay_without_leases_is_taken_with_its_drop_out_time(
    folder: Path, replace: Replace
) -> None:
    """``leases: false`` is accepted once the hard-wired drop-out time is declared."""
    replace("site", "leases: true", "leases: false\n      drop_out_s: 180")
    relay = load_all(folder / "site.yaml").site.heater("boiler").relay
    assert (relay.leases, relay.drop_out_s) == (False, 180.0)
