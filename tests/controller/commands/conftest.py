"""A small workshop's record, made through the real writer, for the commands that look back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import date, time
from pathlib import Path

import pytest

from controller.calendar import Booking, Bookings, Hours, Once, Weekly
from controller.configuration import Configuration
from controller.local_time import LocalTime
from controller.records.decision import Command, Decision, Estimate, HeaterState, Readback, Wish
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.plan import (
    Arrival,
    Block,
    BlockReason,
    ParameterSet,
    ParameterSource,
    Plan,
    Point,
    Rung,
    Value,
    ZoneOutlook,
)
from controller.records.readings import Condition, Sensed
from controller.records.safety import Clears, Severity, Verdict
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
    Zone,
)
from controller.store import Reader, Writer, open_reader, open_writer

LOCAL = LocalTime("Europe/Oslo")
NOW_S = LOCAL.parse("2026-11-27 21:30", now_s=0.0)
SESSION = Session(
    id="sat@2026-11-28",
    zone="boat-bay",
    start_s=LOCAL.parse("2026-11-28 09:00", now_s=0.0),
    end_s=LOCAL.parse("2026-11-28 13:00", now_s=0.0),
    target_c=20.0,
    title="keel varnish",
)


def h(hours: float) -> float:
    """Hours from the present [UTC s]."""
    return NOW_S + hours * 3600.0


@pytest.fixture
def configuration(tmp_path: Path) -> Configuration:
    """One heater, one zone, two bookings that overlap and one overnight."""
    floor = Floor(40.0, 26.0, 0.15, 1.6, 2300.0, 1000.0, 0.08, 0.2, 0.1, 0.035, 0.0, 0.3, 1.5)
    site = Site(
        id="slipway",
        time_zone="Europe/Oslo",
        latitude_deg=59.9,
        longitude_deg=10.7,
        store="store",
        broker=Broker("localhost", 1883),
        zones=(Zone("boat-bay", "Boat bay", floor, 120.0, 0.5, ()),),
        loops=(Loop("loop-a", "boat-bay", 180.0, 0.016, 0.3),),
        heaters=(Heater("boiler", 6000.0, 55.0, ("loop-a",), Relay("relay/set", leases=True)),),
        sensors=(Sensor("bay-slab", Role.SLAB, "boat-bay", "t/slab", "°C"),),
    )
    bookings = Bookings(
        (
            Booking(
                "sat",
                "boat-bay",
                Hours(time(9), time(13)),
                Weekly(frozenset({5})),
                20.0,
                title="keel varnish",
            ),
            Booking("noon", "boat-bay", Hours(time(12), time(15)), Once(date(2026, 11, 28)), 16.0),
            Booking(
                "kiln",
                "boat-bay",
                Hours(time(22), time(6), overnight=True),
                Once(date(2026, 12, 1)),
                18.0,
            ),
        ),
        {},
    )
    return Configuration(site, Limits(), bookings, tmp_path, tmp_path / "store", {})


@pytest.fixture
def writer(configuration: Configuration) -> Iterator[Writer]:
    """The real writer of that site's store."""
    with closing(open_writer(configuration.store)) as opened:
        yield opened


@pytest.fixture
def reader(configuration: Configuration, writer: Writer) -> Iterator[Reader]:
    """A reader of the same store, while the writer is open."""
    with closing(open_reader(configuration.store)) as opened:
        yield opened


@pytest.fixture
def timetable() -> Plan:
    """Preheat through the night, coast-up, hold, run-out; the session is ready in time."""
    start_s, end_s = SESSION.start_s, SESSION.end_s
    blocks = (
        Block(h(-0.5), h(0), False, BlockReason.IDLE, SESSION.id),
        Block(h(0), start_s - 5400, True, BlockReason.PREHEAT, SESSION.id),
        Block(start_s - 5400, start_s, False, BlockReason.COAST_UP, SESSION.id),
        Block(start_s, start_s + 600, True, BlockReason.HOLD, SESSION.id),
        Block(start_s + 600, end_s, False, BlockReason.RUN_OUT, SESSION.id),
        Block(end_s, h(47.5), False, BlockReason.IDLE),
    )
    points = tuple(
        Point(h(k / 4 - 0.5), 6.2 + min(k, 50) * 0.276, 5.0, 21.0) for k in range(48 * 4 + 1)
    )
    arrival = Arrival(
        SESSION.id,
        20.0,
        20.1,
        19.4,
        20.8,
        reachable=True,
        lead_s=11.5 * 3600,
        lead_low_s=10.25 * 3600,
        lead_high_s=12.75 * 3600,
    )
    return Plan(
        id="plan-0412",
        heater="boiler",
        made_s=h(-0.5),
        until_s=h(47.5),
        blocks=blocks,
        outlooks=(ZoneOutlook("boat-bay", "bay-7", points, (arrival,)),),
        sessions=(SESSION,),
    )


MakeDecision = Callable[..., Decision]


@pytest.fixture
def decide() -> MakeDecision:
    """Make a decision of the boiler at an hour from the present, with any field replaced."""

    def make(hour: float = 0.0, **changes: object) -> Decision:
        heat = bool(changes.pop("heat", True))
        fields: dict[str, object] = {
            "at": Instant(h(hour), 86_400.0 + hour * 3600.0),
            "heater": "boiler",
            "zones": ("boat-bay",),
            "version": "0.1.0",
            "sensed": (
                Sensed("bay-slab", Role.SLAB, "boat-bay", Condition.FRESH, 9.8, 12.0),
                Sensed("bay-air", Role.AIR, "boat-bay", Condition.FRESH, 6.2, 42.0),
                Sensed("yard", Role.OUTDOOR, "outdoor", Condition.STALE, -3.0, 900.0),
            ),
            "estimates": (Estimate("boat-bay", 6.2, 9.8, "bay-7", 20.1, 19.4, 20.8),),
            "wish": Wish(heat, Rung.PROGRAMME, BlockReason.PREHEAT, SESSION.id, "plan-0412"),
            "verdicts": (
                Verdict(
                    "slab_over_temperature",
                    Severity.ALLOW,
                    "clear",
                    subject="bay-slab",
                    values={"value_c": 9.8, "limit_c": 40.0},
                ),
            ),
            "deciding": None,
            "command": Command("boiler", heat, 812, h(hour), 120.0 if heat else 0.0),
        }
        return Decision(**(fields | changes))

    return make


@pytest.fixture
def trip() -> Verdict:
    """The slab above its limit."""
    return Verdict(
        "slab_over_temperature",
        Severity.TRIP,
        "too_hot",
        Clears.WHEN_CLEAR,
        "bay-slab",
        {"value_c": 41.2, "limit_c": 40.0},
    )


@pytest.fixture
def learnt() -> tuple[ParameterSet, ParameterSet]:
    """Day-one values, then those of six weeks of history."""
    day_one = ParameterSet(
        id="bay-1",
        zone="boat-bay",
        model="first_order",
        source=ParameterSource.DESCRIPTION,
        made_s=h(-1000),
        values={
            "time_constant_s": Value(61 * 3600.0, 18 * 3600.0),
            "gain_k_per_w": Value(0.005, 0.001),
            "dead_time_s": Value(2 * 3600.0, 3600.0),
            "offset_k": Value(0.0, 1.0),
            "sun_gain_k_m2_per_w": Value(0.01, 0.005),
        },
    )
    history = ParameterSet(
        id="bay-7",
        zone="boat-bay",
        model="first_order",
        source=ParameterSource.HISTORY,
        made_s=h(-20),
        values={
            "time_constant_s": Value(52 * 3600.0, 3 * 3600.0),
            "gain_k_per_w": Value(0.0055, 0.0002),
            "dead_time_s": Value(1.9 * 3600.0, 0.2 * 3600.0),
            "offset_k": Value(0.4, 0.2),
            "sun_gain_k_m2_per_w": Value(0.012, 0.001),
            "residual_1h_k": Value(0.08, 0.0),
            "residual_24h_k": Value(0.7, 0.0),
        },
        span_start_s=h(-20 - 42 * 24),
        span_end_s=h(-20),
    )
    return day_one, history


@pytest.fixture
def kept(
    writer: Writer,
    timetable: Plan,
    decide: MakeDecision,
    learnt: tuple[ParameterSet, ParameterSet],
) -> None:
    """Store all of the above: the plan, 30 minutes of idling, then the start of the preheat."""
    writer.add_plan(timetable)
    for parameters in learnt:
        writer.add_parameters(parameters)
    idle = Wish(False, Rung.PROGRAMME, BlockReason.IDLE, SESSION.id, "plan-0412")
    for minute in range(-30, 0):
        decision = decide(minute / 60, heat=False, wish=idle)
        writer.add_decision(decision, HeaterState())
    writer.add_decision(decide(), HeaterState(sequence=812, heating=True))
    writer.add_readback("boiler", Readback(812, NOW_S + 2.0, heat=True, agrees=True))
