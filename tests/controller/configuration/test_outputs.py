"""Pump and valves in the site file: what is read, and each fault at its place."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main
from controller.configuration import load_all
from controller.records.site import CirculationPump, Relay, Role, Sensor, ZoneValve

Breaking = Callable[[str, str, str], Any]
Replace = Callable[[str, str, str], list[tuple[str, int, int]]]

LOOP = "  hall-loop: {zone: hall, tube_length_m: 200, tube_bore_mm: 16, glycol_mass_percent: 30}\n"
VALVE = """\
  hall-loop:
    zone: hall
    tube_length_m: 200
    tube_bore_mm: 16
    glycol_mass_percent: 30
    zone_valve:
      id: hall-valve
      command_topic: slipway/valve
      leases: true
      travel_s: 90
      close_after_min: 15
"""
LOOPS = "    loops: [hall-loop]\n"
PUMP = (
    LOOPS
    + """\
    circulation_pump:
      id: circulator
      command_topic: slipway/pump
      report_topic: slipway/pump/report
      leases: false
      overrun_min: 8
      proof_s: 45
"""
)


@pytest.fixture
def fitted(replace: Replace) -> None:
    replace("site", LOOP, VALVE)
    replace("site", LOOPS, PUMP)


@pytest.mark.usefixtures("fitted")
def test_pump_and_valve_become_records_in_seconds(folder: Path) -> None:
    """With their own words, and without an OFF at the end of a connection."""
    site = load_all(folder / "site.yaml").site
    heater = site.heater("boiler")
    relay = Relay("slipway/pump", False, None, "slipway/pump/report", "run", falls_off=False)
    pump = CirculationPump("circulator", relay, overrun_s=480.0, proof_s=45.0)
    valve_relay = Relay("slipway/valve", True, word="open", falls_off=False)
    valve = ZoneValve("hall-valve", valve_relay, travel_s=90.0, close_after_s=900.0)
    assert heater.pump == pump
    assert site.outputs_of(heater) == (pump, valve)
    assert (heater.relay.word, heater.relay.falls_off) == ("heat", True)


@pytest.mark.usefixtures("fitted")
def test_a_pumps_report_is_read_as_its_sensor(folder: Path) -> None:
    """It belongs to the pump, and to what a decision about its heater may use."""
    site = load_all(folder / "site.yaml").site
    own = Sensor(
        "circulator-relay",
        Role.RELAY_STATE,
        "circulator",
        "slipway/pump/report",
        "on/off",
        "/run",
    )
    assert own in site.sensors_of(site.heater("boiler"))
    assert not any(sensor.subject == "hall-valve" for sensor in site.sensors)


def test_without_them_the_boiler_runs_its_own(folder: Path) -> None:
    """Nothing is switched beside the heat unless the file says so."""
    site = load_all(folder / "site.yaml").site
    assert site.outputs_of(site.heater("boiler")) == ()


@pytest.mark.usefixtures("fitted")
def test_check_tells_what_is_switched(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """And does not take the pump's report for the heater's."""
    assert main(["check", "--site", str(folder / "site.yaml")]) == 0
    told = capsys.readouterr().out
    assert "pump circulator of boiler: runs on for 8 min" in told
    assert "valve hall-valve for boiler: opens in 90 s" in told
    assert "sensor circulator-relay: relay_state of circulator" in told


METER = "  meter: {role: energy"
PUMP_POWER = "  watts: {role: power, subject: circulator, topic: slipway/watts, unit: W}\n"

FAULTS = [
    ("id: circulator", "id: ‸Circulator", "no id"),
    ("    circulation_pump:\n      id: circulator\n", "    ‸circulation_pump:\n", "id is missing"),
    ("proof_s: 45", "proof_s: ‸5", "a number from 20 to 300"),
    ("overrun_min: 8", "overrun_min: ‸0", "a number from 1 to 30"),
    ("overrun_min: 8", "‸overun_min: 8", "the nearest known key is overrun_min"),
    ("travel_s: 90", "travel_s: ‸601", "a number from 0 to 600"),
    ("close_after_min: 15", "close_after_min: ‸0.5", "a number from 1 to 60"),
    ("leases: false", "leases: ‸no", "neither true nor false"),
    ("slipway/pump\n", "‸slipway/command\n", "the heater boiler is commanded by"),
    ("slipway/valve\n", "‸slipway/pump\n", "the pump circulator is commanded by"),
    ("slipway/pump/report", "‸slipway/valve", "is the command topic of the valve hall-valve"),
    ("slipway/pump/report", "‸slipway/report", "the heater boiler is reported on by"),
    ("topic: slipway/air", "topic: ‸slipway/pump", "the command topic of the pump circulator"),
    ("id: hall-valve", "id: circulator", "the id circulator of the valve is that of the pump"),
    (
        "    circulation_pump:\n      id: circulator\n      command_topic: slipway/pump\n"
        "      report_topic: slipway/pump/report\n",
        "    ‸circulation_pump:\n      id: circulator\n      command_topic: slipway/pump\n",
        "nothing proves that the pump circulator runs; give report_topic, or a sensor",
    ),
    ("proof_s: 45", "proven_above_w: ‸20", "belong together; give both or neither"),
    ("    circulation_pump:", "    ‸circulation_pump:", "and a sensor of the power of circulator"),
    (METER, "  ‸circulator-relay: {role: energy", "that of the relay's own report"),
    (
        METER,
        "  jam: {role: power, subject: ‸hall-valve, topic: a/b, unit: W}\n" + METER,
        "no heater is called 'hall-valve'",
    ),
]


@pytest.mark.usefixtures("fitted")
@pytest.mark.parametrize(("old", "new", "words"), FAULTS)
def test_a_fault_is_named_at_its_place(
    broken: Breaking, replace: Replace, old: str, new: str, words: str
) -> None:
    """One fault gives one problem, in words that say what would be right."""
    if "of the power of" in words:
        replace("site", METER, PUMP_POWER + METER)
    found = broken("site", old, new)
    assert len(found.problems) == 1, [str(problem) for problem in found.problems]
    assert words in str(found.problems[0])
    assert not found.marked or found.places == found.marked


@pytest.mark.usefixtures("fitted")
def test_power_proves_a_pump_once_it_is_said_how_much(folder: Path, replace: Replace) -> None:
    """Both together are taken, beside the report or without it."""
    replace("site", METER, PUMP_POWER + METER)
    replace("site", "proof_s: 45", "proven_above_w: 20")
    replace("site", "      report_topic: slipway/pump/report\n", "")
    pump = load_all(folder / "site.yaml").site.heater("boiler").pump
    assert pump is not None
    assert (pump.proven_above_w, pump.proof_s) == (20.0, 60.0)
