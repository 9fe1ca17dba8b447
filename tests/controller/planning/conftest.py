"""A workshop for the planning tests: two masses, its own arithmetic, nothing from ``models``."""

from __future__ import annotations

import bisect
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from controller.planning.planner import make_plan
from controller.records.errands import PlanErrand
from controller.records.forecast import Forecast
from controller.records.limits import Limits
from controller.records.plan import Arrival, ParameterSet, Plan
from controller.records.sessions import Session
from controller.records.site import (
    Broker,
    Floor,
    Heater,
    Loop,
    Relay,
    Role,
    Sensor,
    Site,
    Surface,
    Zone,
)

MONDAY_S = 1_768_176_000.0  # 2026-01-12 00:00 UTC
STEP_S = 60.0


class Memory:
    """A ``Source`` in lists."""

    def __init__(self) -> None:
        self.readings: dict[str, tuple[list[float], list[float]]] = {}
        self.changes: dict[str, list[tuple[float, bool]]] = {}
        self.promises: dict[str, list[tuple[float, Arrival]]] = {}

    def add(self, sensor: str, at_s: float, value: float) -> None:
        times, values = self.readings.setdefault(sensor, ([], []))
        times.append(at_s)
        values.append(value)

    def command(self, heater: str, at_s: float, on: bool) -> None:
        changes = self.changes.setdefault(heater, [])
        if not changes or changes[-1][1] != on:
            changes.append((at_s, on))

    def samples(self, sensor: str, since_s: float, until_s: float) -> list[tuple[float, float]]:
        times, values = self.readings.get(sensor, ([], []))
        a, b = bisect.bisect_left(times, since_s), bisect.bisect_left(times, until_s)
        return list(zip(times[a:b], values[a:b], strict=True))

    def promised(self, heater: str, session: str, before_s: float) -> Arrival | None:
        made = [a for at_s, a in self.promises.get(session, []) if at_s <= before_s]
        return made[-1] if made else None

    def forecasts(self, since_s: float, until_s: float) -> list[Forecast]:
        return []

    def heating(self, heater: str, since_s: float, until_s: float) -> list[tuple[float, bool]]:
        changes = self.changes.get(heater, [])
        times = [at_s for at_s, _ in changes]
        first = max(0, bisect.bisect_right(times, since_s) - 1)
        return changes[first : bisect.bisect_left(times, until_s)]


@dataclass
class Room:
    """Slab and room, by forward Euler (a minute against time constants of an hour and more).

    Cs dTs/dt = P - Hsz (Ts-Tz) - Hsg (Ts-Tg);  Cz dTz/dt = Hsz (Ts-Tz) - Hze (Tz-Te).
    The defaults are set A of the project's check values, an ordinary workshop of 48 m2.
    """

    slab_j_k: float = 18e6
    room_j_k: float = 2e6
    coupling_w_k: float = 400.0
    loss_w_k: float = 150.0
    ground_w_k: float = 40.0
    ground_c: float = 9.0
    slab_c: float = 9.0
    air_c: float = 8.0

    def advance(self, power_w: float, outdoor_c: float) -> None:
        floor_w = self.coupling_w_k * (self.slab_c - self.air_c)
        slab_w = power_w - floor_w - self.ground_w_k * (self.slab_c - self.ground_c)
        air_w = floor_w - self.loss_w_k * (self.air_c - outdoor_c)
        self.slab_c += STEP_S * slab_w / self.slab_j_k
        self.air_c += STEP_S * air_w / self.room_j_k


@dataclass
class Workshop:
    """A site with its rooms, run minute by minute, every reading and command remembered."""

    site: Site
    rooms: dict[str, Room]
    seed: int
    mean_outdoor_c: float = 2.0
    restless_k: float = 2.0
    now_s: float = MONDAY_S
    energy_j: float = 0.0
    source: Memory = field(default_factory=Memory)
    true_air: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)
        self.departure_k = self.chance.gauss(0.0, self.restless_k)

    @property
    def heater(self) -> Heater:
        return self.site.heaters[0]

    def outdoor_c(self) -> float:
        hour = self.now_s % 86400.0 / 3600.0
        wave_k = 3.0 * math.cos(2.0 * math.pi * (hour - 14.0) / 24.0)
        return self.mean_outdoor_c + wave_k + self.departure_k

    def minute(self, on: bool) -> None:
        keep = math.exp(-STEP_S / 86400.0)
        outdoor_c = self.outdoor_c()
        self._record(outdoor_c)
        self.source.command(self.heater.id, self.now_s, on)
        areas_m2 = {zone.id: zone.floor.area_m2 for zone in self.site.zones}
        for zone, room in self.rooms.items():
            share = areas_m2[zone] / sum(areas_m2.values())
            room.advance(self.heater.rating_w * share * on, outdoor_c)
        self.energy_j += self.heater.rating_w * STEP_S * on
        self.departure_k *= keep
        self.departure_k += self.chance.gauss(0.0, self.restless_k * math.sqrt(1.0 - keep**2))
        self.now_s += STEP_S

    def _record(self, outdoor_c: float) -> None:
        self.source.add("outdoor", self.now_s, outdoor_c + self.chance.gauss(0.0, 0.1))
        for zone, room in self.rooms.items():
            self.true_air.setdefault(zone, []).append((self.now_s, room.air_c))
            noisy_c = room.air_c + self.chance.gauss(0.0, 0.1)
            self.source.add(f"{zone}-air", self.now_s, round(noisy_c * 16.0) / 16.0)
            self.source.add(f"{zone}-slab", self.now_s, room.slab_c)

    def idle(self, hours: float) -> None:
        for _ in range(round(hours * 60)):
            self.minute(False)

    def weeks_of_use(self, days: int) -> None:
        """Days with the heater on by a crude clock: enough to learn from."""
        for minute in range(days * 1440):
            day, hour = divmod(minute / 60.0, 24.0)
            self.minute(int(day) % 3 == 1 and 2.0 <= hour < 9.0 + 2 * (int(day) % 2))

    def errand(
        self, sessions: tuple[Session, ...], parameter_sets: tuple[ParameterSet, ...] = ()
    ) -> PlanErrand:
        changes = self.source.heating(self.heater.id, self.now_s, self.now_s + 1.0)
        return PlanErrand(
            site=self.site,
            limits=Limits(),
            heater=self.heater.id,
            sessions=tuple(s for s in sessions if s.end_s > self.now_s),
            parameter_sets=parameter_sets,
            heating=bool(changes and changes[-1][1]),
            now_s=self.now_s,
        )

    def plan(
        self, sessions: tuple[Session, ...], parameter_sets: tuple[ParameterSet, ...] = ()
    ) -> Plan:
        return make_plan(self.errand(sessions, parameter_sets), self.source)

    def run(
        self,
        until_s: float,
        sessions: tuple[Session, ...],
        parameter_sets: tuple[ParameterSet, ...] = (),
    ) -> None:
        """Plan every quarter of an hour and follow the plan."""
        plan = self.plan(sessions, parameter_sets)
        while self.now_s < until_s:
            if self.now_s >= plan.made_s + 900.0:
                plan = self.plan(sessions, parameter_sets)
            block = plan.block_at(self.now_s)
            self.minute(block is not None and block.heat)

    def smoothed_c(self, zone: str, at_s: float) -> float:
        """True air, mean of the 20 minutes before [°C]."""
        near = [c for t, c in self.true_air[zone] if at_s - 1200.0 <= t < at_s]
        return sum(near) / len(near)


def _zone(name: str, width_m: float) -> Zone:
    floor = Floor(
        area_m2=8.0 * width_m,
        exposed_perimeter_m=2.0 * (8.0 + width_m),
        slab_thickness_m=0.18,
        slab_conductivity_w_mk=2.0,
        slab_density_kg_m3=2300.0,
        slab_heat_capacity_j_kgk=880.0,
        tube_depth_m=0.06,
        tube_spacing_m=0.2,
        insulation_thickness_m=0.08,
        insulation_conductivity_w_mk=0.035,
        covering_resistance_m2k_w=0.0,
        wall_thickness_m=0.3,
        soil_conductivity_w_mk=2.0,
    )
    walls = Surface("walls", area_m2=2.0 * (8.0 + width_m) * 3.0, u_w_m2k=0.8)
    roof = Surface("roof", area_m2=8.0 * width_m, u_w_m2k=0.8)
    return Zone(name, name, floor, 24.0 * width_m, 0.5, (walls, roof))


def _site(zones: tuple[Zone, ...]) -> Site:
    sensors = [Sensor("outdoor", Role.OUTDOOR, "outdoor", "t/outdoor", "°C")]
    for zone in zones:
        sensors.append(Sensor(f"{zone.id}-air", Role.AIR, zone.id, f"t/{zone.id}/air", "°C"))
        sensors.append(Sensor(f"{zone.id}-slab", Role.SLAB, zone.id, f"t/{zone.id}/slab", "°C"))
    loops = tuple(Loop(f"{zone.id}-loop", zone.id, 240.0, 0.016, 0.3) for zone in zones)
    relay = Relay("t/relay", leases=True)
    heater = Heater("boiler", 8000.0, 55.0, tuple(loop.id for loop in loops), relay)
    return Site(
        id="planing-shed",
        time_zone="Europe/Berlin",
        latitude_deg=52.0,
        longitude_deg=10.0,
        store="store",
        broker=Broker("localhost", 1883),
        zones=zones,
        loops=loops,
        heaters=(heater,),
        sensors=tuple(sensors),
    )


@pytest.fixture
def workshop() -> Callable[..., Workshop]:
    """Make a workshop of one room: ``workshop(seed=0, room=Room(...), ...)``."""

    def make(seed: int = 0, room: Room | None = None, **settings: float) -> Workshop:
        return Workshop(_site((_zone("bench", 6.0),)), {"bench": room or Room()}, seed, **settings)

    return make


@pytest.fixture
def pair() -> Callable[..., Workshop]:
    """Make a workshop of two rooms on one heater, the second a third of the floor."""

    def make(seed: int = 0) -> Workshop:
        zones = (_zone("bench", 6.0), _zone("paint", 3.0))
        small = Room(slab_j_k=9e6, room_j_k=1e6, coupling_w_k=200, loss_w_k=75, ground_w_k=20)
        return Workshop(_site(zones), {"bench": Room(), "paint": small}, seed)

    return make


@pytest.fixture
def heavy_room() -> Room:
    """Set B of the check values: a well-insulated room behind a slow floor."""
    return Room(coupling_w_k=150.0, loss_w_k=60.0)


@pytest.fixture
def session() -> Callable[..., Session]:
    """Make a session by hours after Monday midnight."""

    def make(
        start_h: float,
        end_h: float,
        target_c: float = 16.0,
        *,
        zone: str = "bench",
        readiness: float = 0.95,
    ) -> Session:
        return Session(
            id=f"{zone}@{start_h:g}",
            zone=zone,
            start_s=MONDAY_S + 3600.0 * start_h,
            end_s=MONDAY_S + 3600.0 * end_h,
            target_c=target_c,
            readiness=readiness,
        )

    return make
