"""Reads the site file: place, broker, zones, loops, heaters, sensors, forecast, tariff."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from controller.configuration import guesses
from controller.configuration.broker import ReadBroker, read_broker
from controller.configuration.building import read_zone
from controller.configuration.fields import Fields
from controller.configuration.forecast import ReadForecast, read_forecast
from controller.configuration.kinds import (
    FLAG,
    FOLDER,
    IDENT,
    POINTER,
    TIME_ZONE,
    TOPIC,
    member,
    number,
    unit_of,
)
from controller.configuration.outputs import ReadOutput, read_pump, read_valve
from controller.configuration.problems import Spot
from controller.configuration.tariff import ReadTariff, read_tariff
from controller.records.site import (
    OUTDOOR,
    OUTDOOR_ROLES,
    CirculationPump,
    Floor,
    Heater,
    Loop,
    Relay,
    Role,
    Sensor,
    Site,
    Zone,
    ZoneValve,
)
from controller.units import ON_OFF, PULSES

_W_PER_KW = 1000.0
_M_PER_MM = 1e-3

_ROLE = member(Role)


@dataclass(frozen=True, slots=True)
class ReadLoop:
    """A loop, its valve, and where the file describes it."""

    loop: Loop
    fields: Fields
    valve: ReadOutput | None


@dataclass(frozen=True, slots=True)
class ReadHeater:
    """A heater, where the file describes it, its relay, its pump, and each loop that it names."""

    heater: Heater
    fields: Fields
    relay: Fields
    loops: tuple[tuple[str, Spot], ...]
    pump: ReadOutput | None


@dataclass(frozen=True, slots=True)
class ReadSensor:
    """A sensor and where the file describes it."""

    sensor: Sensor
    fields: Fields


@dataclass(frozen=True, slots=True)
class ReadSite:
    """The site as read, with the places that cross-checks refer to.

    ``complete`` is False where an entry of a section could not be made sense of, so that nothing
    may be concluded from what is not there.
    """

    site: Site
    fields: Fields
    broker: ReadBroker
    zones: tuple[tuple[Zone, Fields], ...]
    loops: tuple[ReadLoop, ...]
    heaters: tuple[ReadHeater, ...]
    sensors: tuple[ReadSensor, ...]
    forecast: ReadForecast | None
    tariff: ReadTariff | None
    complete: bool

    @property
    def outputs(self) -> tuple[ReadOutput, ...]:
        """Every pump and valve."""
        maybe = [*(one.pump for one in self.heaters), *(one.valve for one in self.loops)]
        return tuple(output for output in maybe if output is not None)


def read_site(fields: Fields, *, folder: Path) -> ReadSite:
    """Read the whole site file; what its parts say of each other is checked elsewhere.

    Files that it names are relative to ``folder``.
    """
    with fields:
        site_id = fields.read("id", IDENT)
        time_zone = fields.read("time_zone", TIME_ZONE)
        latitude_deg = fields.read("latitude_deg", number(-90, 90))
        longitude_deg = fields.read("longitude_deg", number(-180, 180))
        store = fields.read("store", FOLDER)
        broker = read_broker(fields.table("broker"), folder=folder)
        zones = tuple((read_zone(key, below), below) for key, below in fields.tables("zones"))
        floors = {zone.id: zone.floor for zone, _ in zones}
        loops = tuple(_loop(key, below, floors) for key, below in fields.tables("loops"))
        heaters = tuple(_heater(key, below) for key, below in fields.tables("heaters"))
        entries = fields.tables("sensors")
        forecast = read_forecast(fields)
        tariff = read_tariff(fields)
    maybe = [_sensor(key, below) for key, below in entries]
    sensors = tuple(sensor for sensor in maybe if sensor is not None)
    site = Site(
        id=site_id,
        time_zone=time_zone,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        store=store,
        broker=broker.broker,
        zones=tuple(zone for zone, _ in zones),
        loops=tuple(read.loop for read in loops),
        heaters=tuple(read.heater for read in heaters),
        sensors=tuple(read.sensor for read in sensors),
        forecast=forecast.feed if forecast else None,
        tariff=tariff.tariff if tariff else None,
    )
    complete = len(sensors) == len(maybe)
    site = replace(site, sensors=site.sensors + _relay_sensors(site))
    return ReadSite(
        site, fields, broker, zones, loops, heaters, sensors, forecast, tariff, complete
    )


def _loop(loop_id: str, fields: Fields, floors: Mapping[str, Floor]) -> ReadLoop:
    with fields:
        valve = read_valve(fields)
        zone = fields.read("zone", IDENT)
        floor = floors.get(zone)
        filled_m = guesses.tube_length_m(floor.area_m2, floor.tube_spacing_m) if floor else 0.0
        loop = Loop(
            id=loop_id,
            zone=zone,
            tube_length_m=fields.read_or("tube_length_m", number(5, 5000), filled_m),
            tube_bore_m=fields.read_or("tube_bore_mm", number(5, 50), guesses.TUBE_BORE_MM)
            * _M_PER_MM,
            # above 60 % glycol no longer lowers the freeze point (common practice, no source);
            # untold, it is taken for water, which freezes first
            glycol_mass_fraction=fields.read_or("glycol_mass_percent", number(0, 60), 0.0) / 100.0,
            valve=valve.output if valve and isinstance(valve.output, ZoneValve) else None,
            relief_valve_bar=fields.read_or("relief_valve_bar", number(1.5, 6), 2.5),
            cold_fill_bar=fields.read_or("cold_fill_bar", number(0.5, 4), 1.2),
            cold_fill_c=fields.read_or("cold_fill_c", number(0, 40), 10.0),
            rise_bar_per_k=fields.read_or("rise_bar_per_k", number(0, 0.05), 0.01),
        )
    return ReadLoop(loop, fields, valve)


def _heater(heater_id: str, fields: Fields) -> ReadHeater:
    with fields:
        rating_w = fields.read("rating_kw", number(0.2, 200)) * _W_PER_KW
        supply_limit_c = fields.read("supply_limit_c", number(25, 95))
        loops = tuple(fields.items("loops", IDENT))
        below = fields.table("relay")
        pump = read_pump(fields)
        heater = Heater(
            id=heater_id,
            rating_w=rating_w,
            supply_limit_c=supply_limit_c,
            loops=tuple(loop for loop, _ in loops),
            relay=_relay(below),
            pump=pump.output if pump and isinstance(pump.output, CirculationPump) else None,
        )
    return ReadHeater(heater, fields, below, loops, pump)


def _relay(fields: Fields) -> Relay:
    with fields:
        command_topic = fields.read("command_topic", TOPIC)
        leases = fields.read("leases", FLAG)
        # shorter than two ticks it would drop out between commands
        drop_out_s = fields.read_or("drop_out_s", number(20, 900), None)
        report_topic = fields.read_or("report_topic", TOPIC, None)
    if leases is False and drop_out_s is None:
        fields.blame(
            "leases",
            "a relay that knows no leases is declared without a hard-wired drop-out time",
            "give drop_out_s, the seconds after which its own wiring drops it out",
        )
    return Relay(command_topic, leases is True, drop_out_s, report_topic)


def _sensor(sensor_id: str, fields: Fields) -> ReadSensor | None:
    with fields:
        role = fields.read("role", _ROLE)
        unit = fields.read("unit", unit_of(role))
        topic = fields.read("topic", TOPIC)
        value_pointer = fields.read_or("value_pointer", POINTER, None)
        time_pointer = fields.read_or("time_pointer", POINTER, None)
        pulses_per_kwh = fields.read_or("pulses_per_kwh", number(0.1, 100_000), None)
        if role in OUTDOOR_ROLES or role is None:
            subject = fields.read_or("subject", IDENT, OUTDOOR)
        else:
            subject = fields.read("subject", IDENT)
    if role is None or not subject:
        return None
    if unit and (unit == PULSES) != (pulses_per_kwh is not None):
        fields.blame(
            "pulses_per_kwh" if pulses_per_kwh is not None else "unit",
            "pulses_per_kwh and the unit pulses belong together",
            "give both or neither",
        )
    sensor = Sensor(
        id=sensor_id,
        role=role,
        subject=subject,
        topic=topic,
        unit=unit,
        value_pointer=value_pointer,
        time_pointer=time_pointer,
        pulses_per_kwh=pulses_per_kwh,
    )
    return ReadSensor(sensor, fields)


def _relay_sensors(site: Site) -> tuple[Sensor, ...]:
    """The read-back of each relay that reports by itself and has no sensor of its own."""
    fitted = {sensor.subject for sensor in site.sensors if sensor.role is Role.RELAY_STATE}
    outputs = [output for heater in site.heaters for output in site.outputs_of(heater)]
    return tuple(
        relay_sensor(switched.id, switched.relay)
        for switched in (*site.heaters, *outputs)
        if switched.relay.report_topic and switched.id not in fitted
    )


def relay_sensor(subject: str, relay: Relay) -> Sensor:
    """The sensor that reads the own report of a relay that makes one."""
    return Sensor(
        id=f"{subject}-relay",
        role=Role.RELAY_STATE,
        subject=subject,
        topic=relay.report_topic or "",
        unit=ON_OFF,
        value_pointer=f"/{relay.word}",
    )
