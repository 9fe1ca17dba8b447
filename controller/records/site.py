"""The workshop as its site file describes it: zones, loops, heaters, sensors, broker."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from controller.records.limits import LEASE_S

OUTDOOR = "outdoor"
"""Subject of every sensor that belongs to no zone, loop or heater."""
FORECAST = "forecast"
"""Stands for the forecast where payloads are counted by sensor; no sensor may have this id."""


class Role(StrEnum):
    """What a sensor measures."""

    SLAB = "slab"
    FLOOR_SURFACE = "floor_surface"
    AIR = "air"
    OUTDOOR = "outdoor"
    SUPPLY = "supply"
    RETURN = "return"
    PRESSURE = "pressure"
    POWER = "power"
    ENERGY = "energy"
    IRRADIANCE = "irradiance"
    WIND = "wind"
    PRICE = "price"
    SOLAR_SURPLUS = "solar_surplus"
    RELAY_STATE = "relay_state"


TEMPERATURES = frozenset(
    {Role.SLAB, Role.FLOOR_SURFACE, Role.AIR, Role.OUTDOOR, Role.SUPPLY, Role.RETURN}
)
ZONE_ROLES = frozenset({Role.SLAB, Role.FLOOR_SURFACE, Role.AIR})
OUTDOOR_ROLES = frozenset(
    {Role.OUTDOOR, Role.IRRADIANCE, Role.WIND, Role.PRICE, Role.SOLAR_SURPLUS}
)
"""Roles that belong to the whole site; all others belong to a loop or a heater."""
PUMP_PROOFS = frozenset({Role.RELAY_STATE, Role.POWER})
"""Roles of a pump by which it is proven to run."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor as the site file describes it.

    ``subject`` is the id of the zone, loop, heater, pump or valve it belongs to, or ``outdoor``.
    ``value_pointer`` and ``time_pointer`` are JSON Pointers (RFC 6901); None means that the
    whole payload is the value, or that the sensor sends no time of its own.
    ``pulses_per_kwh`` is needed where ``unit`` is ``pulses``.
    """

    id: str
    role: Role
    subject: str
    topic: str
    unit: str
    value_pointer: str | None = None
    time_pointer: str | None = None
    pulses_per_kwh: float | None = None


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a wall, roof or floor: thickness [m], conductivity [W/mK]."""

    thickness_m: float
    conductivity_w_mk: float


@dataclass(frozen=True, slots=True)
class Surface:
    """One part of the envelope: area [m2] and either a U-value [W/m2K] or its layers."""

    id: str
    area_m2: float
    u_w_m2k: float | None = None
    layers: tuple[Layer, ...] = ()


@dataclass(frozen=True, slots=True)
class Glazing:
    """Glass that lets the sun in: area [m2], azimuth [deg from north], tilt [deg], g-value [-]."""

    area_m2: float
    azimuth_deg: float
    tilt_deg: float
    g_value: float


@dataclass(frozen=True, slots=True)
class Floor:
    """The heated concrete floor of a zone and the ground beneath it."""

    area_m2: float
    exposed_perimeter_m: float
    slab_thickness_m: float
    slab_conductivity_w_mk: float
    slab_density_kg_m3: float
    slab_heat_capacity_j_kgk: float
    tube_depth_m: float
    tube_spacing_m: float
    insulation_thickness_m: float
    insulation_conductivity_w_mk: float
    covering_resistance_m2k_w: float
    wall_thickness_m: float
    soil_conductivity_w_mk: float


WEIGHTY = frozenset(
    {"volume_m3", "envelope", "floor.slab_thickness_mm", "floor.insulation_thickness_mm"}
)
"""What of a description the response follows from most."""


@dataclass(frozen=True, slots=True)
class Zone:
    """A room with its own target: floor, envelope, air.

    ``guessed`` names what its owner has not told: an ordinary workshop's values stand there, and
    what follows from them is worth little until history says better.
    """

    id: str
    name: str
    floor: Floor
    volume_m3: float
    air_changes_per_h: float
    surfaces: tuple[Surface, ...]
    glazing: tuple[Glazing, ...] = ()
    guessed: tuple[str, ...] = ()

    @property
    def is_rough(self) -> bool:
        """Whether so much is guessed that the description tells little more than a size."""
        return not WEIGHTY.isdisjoint(self.guessed)


@dataclass(frozen=True, slots=True)
class Relay:
    """How a heater, a pump or a valve is switched.

    ``leases``: the relay counts the lease on its own clock. Where a heater's does not,
    ``drop_out_s`` declares the hard-wired drop-out time, or the service refuses to start.
    ``report_topic`` is where a relay board that knows leases says what it does and how long it
    has been up; each ON then answers its latest report, so that one held up on the way is refused.
    ``word`` says on or off in commands and reports. ``falls_off``: every end of a connection means
    OFF, as it must for heat; a pump or valve goes on to the end of its lease, for the heater may.
    """

    command_topic: str
    leases: bool
    drop_out_s: float | None = None
    report_topic: str | None = None
    word: str = "heat"
    falls_off: bool = True

    @property
    def holds_s(self) -> float:
        """How long its last ON lasts by itself [s]."""
        return LEASE_S if self.leases or self.drop_out_s is None else self.drop_out_s


@dataclass(frozen=True, slots=True)
class ZoneValve:
    """A valve that opens a loop.

    It takes ``travel_s`` to open, and stays open for ``close_after_s`` after heat: at least as
    long as a boiler that runs its own pump lets that run on [s].
    """

    id: str
    relay: Relay
    travel_s: float
    close_after_s: float


@dataclass(frozen=True, slots=True)
class CirculationPump:
    """A pump that slabtide runs.

    It is proven before heat, within ``proof_s`` of its start, and runs on for ``overrun_s`` after
    heat [s]. ``proven_above_w`` is the power above which it turns, where that is measured [W].
    """

    id: str
    relay: Relay
    overrun_s: float
    proof_s: float
    proven_above_w: float | None = None


@dataclass(frozen=True, slots=True)
class Loop:
    """A tube circuit in one zone's slab, always open where it has no valve.

    Attributes
    ----------
    tube_length_m, tube_bore_m, glycol_mass_fraction : float
        [m], [m], [-].
    relief_valve_bar : float
        Gauge pressure at which the relief valve opens [bar].
    cold_fill_bar, cold_fill_c : float
        Gauge pressure to which the loop was filled [bar], and the fluid's temperature then [°C].
    rise_bar_per_k : float
        How much the pressure rises as the fluid warms [bar/K].
    """

    id: str
    zone: str
    tube_length_m: float
    tube_bore_m: float
    glycol_mass_fraction: float
    valve: ZoneValve | None = None
    relief_valve_bar: float = 2.5
    cold_fill_bar: float = 1.2
    cold_fill_c: float = 10.0
    rise_bar_per_k: float = 0.01


@dataclass(frozen=True, slots=True)
class Heater:
    """An electric boiler: rating [W], its own supply limit [°C], the loops it feeds.

    Where it has no ``pump`` here it runs its own, overrun included.
    """

    id: str
    rating_w: float
    supply_limit_c: float
    loops: tuple[str, ...]
    relay: Relay
    pump: CirculationPump | None = None


@dataclass(frozen=True, slots=True)
class SecretPlace:
    """Where a secret is kept, never the secret: a file, absolute, or a systemd credential's name.

    Exactly one of the two is given.
    """

    file: str | None = None
    credential: str | None = None


@dataclass(frozen=True, slots=True)
class Tls:
    """How a broker is known for the right one, and how we are to it; all files are absolute.

    ``ca_file`` holds the authority whose certificates are believed. ``certificate_file`` and
    ``key`` are our own, where the broker asks for a certificate.
    """

    ca_file: str
    certificate_file: str | None = None
    key: SecretPlace | None = None


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the MQTT broker is, and what opens it. ``protocol`` is ``"5"`` or ``"3.1.1"``."""

    host: str
    port: int
    protocol: str = "5"
    tls: Tls | None = None
    user: str | None = None
    password: SecretPlace | None = None


@dataclass(frozen=True, slots=True)
class ForecastValue:
    """One quantity of a forecast: what it is, where a payload holds it, and its unit there."""

    role: Role
    pointer: str
    unit: str


@dataclass(frozen=True, slots=True)
class ForecastFeed:
    """Where a forecast comes from and how its payload is read.

    All pointers are JSON Pointers (RFC 6901). Where ``entries`` is given it leads to a list with
    one entry a moment, and the other pointers lead on from an entry. Without it they lead from the
    payload to lists of one length, one for the times and one for each quantity.
    """

    topic: str
    time_pointer: str
    values: tuple[ForecastValue, ...]
    entries_pointer: str | None = None


@dataclass(frozen=True, slots=True)
class TariffBand:
    """A price that holds at certain hours.

    From ``start_min`` after local midnight, on ``weekdays`` (0 is Monday), to ``end_min``, which
    lies on the next day where it is not after ``start_min`` [min of wall time].
    """

    price_per_kwh: float
    weekdays: tuple[int, ...]
    start_min: int
    end_min: int


@dataclass(frozen=True, slots=True)
class Tariff:
    """What power costs where no topic says otherwise.

    Attributes
    ----------
    currency : str
        What all prices are in, such as ``EUR``.
    price_per_kwh : float
        Where no band holds.
    surplus_price_per_kwh : float
        What the owner's own solar surplus would have been paid, were it fed in.
    bands : tuple of TariffBand
        Where several hold, the first does.
    """

    currency: str
    price_per_kwh: float
    surplus_price_per_kwh: float = 0.0
    bands: tuple[TariffBand, ...] = ()


@dataclass(frozen=True, slots=True)
class Site:
    """One workshop: everything the site file says. ``store`` is the folder of its records."""

    id: str
    time_zone: str
    latitude_deg: float
    longitude_deg: float
    store: str
    broker: Broker
    zones: tuple[Zone, ...]
    loops: tuple[Loop, ...]
    heaters: tuple[Heater, ...]
    sensors: tuple[Sensor, ...]
    forecast: ForecastFeed | None = None
    tariff: Tariff | None = None

    @property
    def topics(self) -> frozenset[str]:
        """Every MQTT topic on which something is measured or forecast."""
        forecast = {self.forecast.topic} if self.forecast is not None else set()
        return frozenset(sensor.topic for sensor in self.sensors) | forecast

    def zone(self, zone_id: str) -> Zone:
        """The zone of that id; KeyError when there is none."""
        return _by_id(self.zones, zone_id)

    def heater(self, heater_id: str) -> Heater:
        """The heater of that id; KeyError when there is none."""
        return _by_id(self.heaters, heater_id)

    def zones_of(self, heater: Heater) -> tuple[Zone, ...]:
        """The zones that a heater's loops warm, in the order of the site file."""
        served = {loop.zone for loop in self.loops if loop.id in heater.loops}
        return tuple(zone for zone in self.zones if zone.id in served)

    def loops_of(self, heater: Heater) -> tuple[Loop, ...]:
        """The loops that a heater feeds, in the order of the site file."""
        return tuple(loop for loop in self.loops if loop.id in heater.loops)

    def outputs_of(self, heater: Heater) -> tuple[Output, ...]:
        """What is switched for a heater beside itself: its pump and the valves of its loops."""
        valves = tuple(loop.valve for loop in self.loops_of(heater) if loop.valve is not None)
        return valves if heater.pump is None else (heater.pump, *valves)

    def sensors_of(self, heater: Heater) -> tuple[Sensor, ...]:
        """Every sensor a decision about this heater may use, outdoors and outputs included."""
        subjects = {OUTDOOR, heater.id, *heater.loops}
        subjects |= {output.id for output in self.outputs_of(heater)}
        subjects |= {zone.id for zone in self.zones_of(heater)}
        return tuple(sensor for sensor in self.sensors if sensor.subject in subjects)


Output = CirculationPump | ZoneValve
"""What is switched beside the heat itself."""

_T = TypeVar("_T", Zone, Heater)


def _by_id(items: tuple[_T, ...], wanted: str) -> _T:
    for item in items:
        if item.id == wanted:
            return item
    raise KeyError(wanted)
