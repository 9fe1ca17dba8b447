"""A zone that asks for nothing keeps its valve shut: plans and history divide heat by that."""

from dataclasses import replace

import numpy as np
import pytest

from controller.answers import fault_of_plan
from controller.planning.history import Grid, zone_heat_w
from controller.records.site import Relay, Role, Sensor, ZoneValve
from tests.controller.planning.conftest import MONDAY_S

HOUR_S = 3600.0
GRID = Grid(0.0, 300.0, 6)


def with_valves(shop, *, tell=("bench", "paint")):
    """The same workshop with a valve at each loop, of which those of some zones report."""
    loops, sensors = [], list(shop.site.sensors)
    for loop in shop.site.loops:
        name = f"{loop.zone}-valve"
        relay = Relay(f"t/{name}", leases=True, word="open", falls_off=False)
        loops.append(replace(loop, valve=ZoneValve(name, relay, 180.0, 600.0)))
        if loop.zone in tell:
            sensors.append(Sensor(f"{name}-relay", Role.RELAY_STATE, name, f"t/{name}/r", "on/off"))
    shop.site = replace(shop.site, loops=tuple(loops), sensors=tuple(sensors))
    return shop


def _rested(shop):
    shop.mean_outdoor_c = 7.0
    for room in shop.rooms.values():
        room.slab_c = room.air_c = 13.0
    for _ in range(24 * 60):
        shop.minute(False)
    return shop


@pytest.fixture
def mild(pair):
    """A day of rest in two rooms behind valves that report, neither of them near frost."""
    return _rested(with_valves(pair()))


def test_a_zone_without_a_session_gets_nothing(mild, session):
    """All heat goes to the other one, as if it stood alone on the heater."""
    wanted = session(48, 54)
    plan = mild.plan((wanted,))
    assert plan.gives == ("bench",)
    shared = replace(mild.site, loops=tuple(replace(x, valve=None) for x in mild.site.loops))
    bench, paint = plan.outlooks
    mild.site = shared
    both = mild.plan((wanted,))
    assert both.gives == ()
    # the heater runs for less long, and the room is as warm when the session begins
    assert _heat_h(plan) < 0.8 * _heat_h(both)
    assert bench.arrivals[0].air_c == pytest.approx(both.outlooks[0].arrivals[0].air_c, abs=0.5)
    # by its session's end the other room has had 4 K of a heat that is now kept from it
    assert _air_c(paint, wanted.end_s) < _air_c(both.outlooks[1], wanted.end_s) - 3.0


def test_both_with_a_session_share_as_before(mild, session):
    """By floor area, on record as a plan for all."""
    plan = mild.plan((session(48, 54), session(72, 76, zone="paint")))
    assert plan.gives == ()


def test_nobody_with_a_session_is_a_plan_for_all(mild):
    """There is only frost to plan for, and that is everybody's."""
    assert mild.plan(()).gives == ()


def test_a_room_near_frost_has_its_part(mild, session):
    """Though nobody has booked it."""
    mild.rooms["paint"].air_c = mild.rooms["paint"].slab_c = 6.0
    mild.mean_outdoor_c = 2.0
    for _ in range(60):
        mild.minute(False)
    assert mild.plan((session(48, 54),)).gives == ()


def test_a_valve_that_does_not_report_is_taken_to_be_open(pair, session):
    """History could not tell where the heat went."""
    shop = _rested(with_valves(pair(), tell=("bench",)))
    assert shop.plan((session(48, 54),)).gives == ()


def test_a_plan_for_a_zone_of_which_it_says_nothing_is_refused(mild, session):
    """It would open the wrong valve, or none."""
    plan = replace(mild.plan((session(48, 54),)), gives=("bench", "attic"))
    fault = fault_of_plan(plan, heater="boiler", now_s=mild.now_s)
    assert fault == "the plan gives heat to zones of which it says nothing"


def test_history_divides_heat_among_the_open_valves(pair):
    """Both open, the paint room's shut, both shut, and nothing known: 2/3, 1, 2/3, 2/3 of 8 kW."""
    shop = with_valves(pair())
    shop.source.changes["boiler"] = [(0.0, True)]
    for slot, (bench, paint) in enumerate([(1.0, 1.0), (1.0, 0.0), (0.0, 0.0)]):
        for second in range(0, 300, 60):
            at_s = 300.0 * slot + second
            shop.source.add("bench-valve-relay", at_s, bench)
            shop.source.add("paint-valve-relay", at_s, paint)
    grid = replace(GRID, count=3)
    heat = [zone_heat_w(shop.source, shop.site, z, grid) / 8000.0 for z in shop.site.zones]
    assert heat[0] == pytest.approx([2 / 3, 1.0, 2 / 3])
    assert heat[1] == pytest.approx([1 / 3, 0.0, 1 / 3])
    later = Grid(7200.0, 300.0, 2)
    assert zone_heat_w(shop.source, shop.site, shop.site.zones[1], later) == pytest.approx(
        np.full(2, 8000.0 / 3)
    )


def _heat_h(plan):
    return sum(b.end_s - b.start_s for b in plan.blocks if b.heat) / HOUR_S


def _air_c(outlook, at_s):
    assert at_s > MONDAY_S
    return np.interp(at_s, [p.at_s for p in outlook.points], [p.air_c for p in outlook.points])
