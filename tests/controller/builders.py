"""A small workshop, what a tick sees of it, and plans for it: sensible, with one override a test.

Two temperatures that no rule minds (slab 16 °C, air 14 °C), one heater, nothing booked.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any

from controller.calendar import Bookings
from controller.configuration import Configuration
from controller.cycle import Situation
from controller.interlocks.rule import Rule
from controller.plant import loop_facts, zone_facts
from controller.records.instant import Instant
from controller.records.limits import TICK_S, Limits
from controller.records.plan import (
    Arrival,
    Block,
    BlockReason,
    ParameterSet,
    ParameterSource,
    Plan,
    Point,
    Value,
    ZoneOutlook,
)
from controller.records.readings import Condition, Sensed
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.sessions import Session
from controller.records.site import (
    OUTDOOR,
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

START_S = datetime(2026, 1, 12, 6, tzinfo=UTC).timestamp()
"""A Monday morning in winter [UTC s]."""
START = Instant(utc_s=START_S, mono_s=5000.0)
HOUR_S = 3600.0
RATING_W = 9000.0


def later(seconds: float, start: Instant = START) -> Instant:
    """The moment so many seconds on, on both clocks."""
    return Instant(start.utc_s + seconds, start.mono_s + seconds)


# --- the workshop -------------------------------------------------------------------------------


def make_zone(zone_id: str = "bay", area_m2: float = 48.0) -> Zone:
    floor = Floor(
        area_m2=area_m2, exposed_perimeter_m=28.0, slab_thickness_m=0.15,
        slab_conductivity_w_mk=2.0, slab_density_kg_m3=2300.0, slab_heat_capacity_j_kgk=880.0,
        tube_depth_m=0.075, tube_spacing_m=0.2, insulation_thickness_m=0.1,
        insulation_conductivity_w_mk=0.035, covering_resistance_m2k_w=0.0,
        wall_thickness_m=0.2, soil_conductivity_w_mk=2.0,
    )  # fmt: skip
    surfaces = (Surface("walls", 92.0, u_w_m2k=0.45),)
    return Zone(zone_id, "Bay", floor, volume_m3=192.0, air_changes_per_h=1.0, surfaces=surfaces)


def make_heater(heater_id: str = "boiler", loops: tuple[str, ...] = ("bay-loop",)) -> Heater:
    relay = Relay(f"workshop/{heater_id}/command", leases=True)
    return Heater(heater_id, RATING_W, supply_limit_c=60.0, loops=loops, relay=relay)


def make_sensor(role: Role, subject: str) -> Sensor:
    sensor_id = f"{subject}-{role.value.replace('_', '-')}"
    unit = "on/off" if role is Role.RELAY_STATE else "°C"
    return Sensor(sensor_id, role, subject, topic=f"workshop/{sensor_id}", unit=unit)


def make_site(**changes: Any) -> Site:
    """One bay, one loop, one boiler; slab, air and outdoor sensors."""
    site = Site(
        id="workshop",
        time_zone="Europe/Berlin",
        latitude_deg=52.0,
        longitude_deg=13.0,
        store="state",
        broker=Broker("localhost", 1883),
        zones=(make_zone(),),
        loops=(Loop("bay-loop", "bay", 240.0, 0.016, 0.3),),
        heaters=(make_heater(),),
        sensors=(
            make_sensor(Role.SLAB, "bay"),
            make_sensor(Role.AIR, "bay"),
            make_sensor(Role.OUTDOOR, OUTDOOR),
        ),
    )
    return replace(site, **changes)


def two_heater_site() -> Site:
    """The same with a second bay on a boiler of its own."""
    one = make_site()
    return replace(
        one,
        zones=(*one.zones, make_zone("loft")),
        loops=(*one.loops, Loop("loft-loop", "loft", 120.0, 0.016, 0.3)),
        heaters=(*one.heaters, make_heater("kettle", ("loft-loop",))),
        sensors=(*one.sensors, make_sensor(Role.SLAB, "loft"), make_sensor(Role.AIR, "loft")),
    )


def make_configuration(store: Path, site: Site | None = None, **changes: Any) -> Configuration:
    """What the owner's files say: nothing booked, the limits as they come."""
    configuration = Configuration(
        site=site or make_site(),
        limits=Limits(),
        bookings=Bookings((), {}),
        folder=store,
        store=store,
        texts={"site.yaml": "id: workshop\n"},
    )
    return replace(configuration, **changes)


# --- what a tick sees ---------------------------------------------------------------------------


def sensed(
    role: Role,
    value: float | None = None,
    *,
    subject: str = "bay",
    condition: Condition = Condition.FRESH,
    age_s: float | None = 5.0,
    sensor: str | None = None,
) -> Sensed:
    """One fitted sensor at this tick."""
    name = sensor or f"{subject}-{role.value.replace('_', '-')}"
    return Sensed(name, role, subject, condition, value, age_s)


def slab(value: float | None = 16.0, **changes: Any) -> Sensed:
    return sensed(Role.SLAB, value, **changes)


def air(value: float | None = 14.0, **changes: Any) -> Sensed:
    return sensed(Role.AIR, value, **changes)


def outdoor(value: float | None = 2.0, **changes: Any) -> Sensed:
    return sensed(Role.OUTDOOR, value, subject=OUTDOOR, **changes)


def lost(role: Role, subject: str = "bay", condition: Condition = Condition.STALE) -> Sensed:
    """A sensor whose value may not be acted on."""
    never = condition is Condition.MISSING
    return sensed(
        role,
        None if never else 16.0,
        subject=subject,
        condition=condition,
        age_s=None if never else 4000.0,
    )


MILD = (slab(), air(), outdoor())


def view(*readings: Sensed, **changes: Any) -> SafetyView:
    """One tick in the middle of a quiet run, with all readings fresh unless given."""
    site = make_site()
    base = SafetyView(
        now=START,
        elapsed_s=TICK_S,
        utc_step_s=0.0,
        limits=Limits(),
        sensed=readings or MILD,
        zones=("bay",),
        rating_w=RATING_W,
        in_session=frozenset(),
        heat_wanted=True,
        heating=False,
        command_age_s=HOUR_S,
        latched=frozenset(),
        supply_limit_c=48.0,
        zone_facts={zone: zone_facts(make_zone(zone)) for zone in ("bay", "loft")},
        loop_facts={loop.id: loop_facts(loop, site.heaters[0], site.loops) for loop in site.loops},
    )
    return replace(base, **changes)


class Script:
    """Plays ticks to one rule, carrying its memory from each to the next.

    Every verdict must be one that can be stored and told: a known reason, whose sentence finds
    all its numbers.
    """

    def __init__(self, rule: Rule | ModuleType, memory: Memory | None = None) -> None:
        self._rule: Any = rule
        self.memory: Memory = memory or {}

    def tick(self, *readings: Sensed, **changes: Any) -> Verdict:
        """One tick; gives the verdict."""
        verdict, self.memory = self._rule.judge(view(*readings, **changes), self.memory)
        assert isinstance(verdict, Verdict)
        assert verdict.rule == self._rule.NAME
        sentence = self._rule.SENTENCES[verdict.reason]
        if verdict.severity > Severity.ALLOW:
            assert sentence.format(subject=verdict.subject, **(verdict.values or {}))
            assert verdict.clears is not Clears.NOTHING_TO_CLEAR
        if verdict.severity >= Severity.TRIP:
            waits = verdict.clears is Clears.ON_ACKNOWLEDGE
            assert waits is (verdict.severity is Severity.LOCKOUT)
        # a memory is stored: plain numbers only
        assert all(isinstance(number, float) for number in self.memory.values())
        return verdict

    def run(self, seconds: float, *readings: Sensed, **changes: Any) -> Verdict:
        """The same tick again and again for a while; gives the last verdict."""
        ticks = round(seconds / TICK_S)
        assert ticks > 0
        for _ in range(ticks):
            verdict = self.tick(*readings, **changes)
        return verdict

    def restart(self, *readings: Sensed, **changes: Any) -> Verdict:
        """The first tick of a new process, which kept the memory."""
        return self.tick(*readings, elapsed_s=0.0, heating=False, command_age_s=0.0, **changes)


# --- bookings, plans, parameters ----------------------------------------------------------------


def make_session(
    start_s: float = START_S + 10 * HOUR_S,
    hours: float = 4.0,
    *,
    zone: str = "bay",
    target_c: float = 18.0,
    session_id: str = "bench@2026-01-12",
) -> Session:
    return Session(session_id, zone, start_s, start_s + hours * HOUR_S, target_c)


def make_plan(
    *,
    sessions: Iterable[Session] = (),
    made_s: float = START_S,
    hours: float = 48.0,
    heat: bool = True,
    heater: str = "boiler",
    **changes: Any,
) -> Plan:
    """A timetable of one block."""
    until_s = made_s + hours * HOUR_S
    block = Block(made_s, until_s, heat, BlockReason.PREHEAT if heat else BlockReason.IDLE)
    plan = Plan(
        id=f"{heater}-{made_s:.0f}",
        heater=heater,
        made_s=made_s,
        until_s=until_s,
        blocks=(block,),
        outlooks=(make_outlook(),),
        sessions=tuple(sessions),
    )
    return replace(plan, **changes)


def make_outlook(zone: str = "bay", **changes: Any) -> ZoneOutlook:
    """A zone's expectation, with one session that will be ready."""
    arrival = Arrival("bench@2026-01-12", 18.0, 18.2, 17.6, 18.8, reachable=True, lead_s=21600.0)
    point = Point(START_S, 14.0, 13.5, 14.5)
    return replace(ZoneOutlook(zone, "p1", (point,), (arrival,)), **changes)


def make_parameters(zone: str = "bay", **values: float) -> ParameterSet:
    """20 h of time constant, 1 h of dead time, 40 K above outdoors at full power."""
    numbers = {
        "time_constant_s": 20 * HOUR_S,
        "gain_k_per_w": 40.0 / RATING_W,
        "dead_time_s": HOUR_S,
        "offset_k": 1.0,
        "sun_gain_k_m2_per_w": 0.01,
        **values,
    }
    return ParameterSet(
        id=f"{zone}-1",
        zone=zone,
        model="first_order",
        source=ParameterSource.HISTORY,
        made_s=START_S - HOUR_S,
        values={name: Value(value, 0.0) for name, value in numbers.items()},
    )


def make_situation(*readings: Sensed, **changes: Any) -> Situation:
    """All that a tick of the one boiler knows."""
    site = make_site()
    base = Situation(
        now=START,
        heater=site.heaters[0],
        zones=site.zones,
        limits=Limits(),
        sensed=readings or MILD,
        sessions=(),
        plan=None,
        parameter_sets={},
        loops=site.loops,
    )
    return replace(base, **changes)


def reasons(verdicts: Iterable[Verdict]) -> Mapping[str, str]:
    """Rule -> reason code."""
    return {verdict.rule: verdict.reason for verdict in verdicts}
