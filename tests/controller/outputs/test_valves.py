"""A loop is open before there is heat, and stays open until the heat has gone."""

from __future__ import annotations

from dataclasses import replace

from controller.records.decision import NoticeKind
from controller.records.limits import LEASE_S, TICK_S
from controller.records.outputs import OutputReason
from controller.records.safety import Severity
from tests.controller.builders import MILD, air, slab
from tests.controller.outputs.shop import (
    CLOSE_AFTER_S,
    OVERRUN_S,
    TRAVEL_S,
    VALVE,
    Shop,
    make_loop,
    reason,
)

VALVED = (make_loop(VALVE),)


def shut_shop(**changes) -> Shop:
    """One in which all has come to rest."""
    shop = Shop(loops=VALVED, **changes)
    shop.wanted = False
    shop.run(CLOSE_AFTER_S + 60.0)
    assert not any(told.on for told in shop.last.outputs)
    shop.wanted = True
    return shop


def test_valve_then_pump_then_heat() -> None:
    """The pump is not started against a closed valve, and heat comes last."""
    shop = shut_shop()
    decisions = shop.run(TRAVEL_S + 60.0)
    valve = [told.on for d in decisions for told in d.outputs if told.output == "valve"]
    pump = [told.on for d in decisions for told in d.outputs if told.output == "pump"]
    heat = [d.command.heat for d in decisions]
    assert valve[0]
    assert pump.index(True) * TICK_S >= TRAVEL_S
    assert heat.index(True) > pump.index(True)
    assert reason(decisions[0]) == "valves_opening"
    assert decisions[0].deciding.severity is Severity.HOLD
    waiting = next(told for told in decisions[0].outputs if told.output == "pump")
    assert waiting.reason is OutputReason.WAITING


def test_without_a_pump_of_ours_the_valve_alone_is_waited_for() -> None:
    """The boiler runs its own pump: heat comes with the open loop, not before."""
    shop = shut_shop(pump=None)
    decisions = shop.run(TRAVEL_S + 2 * TICK_S)
    heat = [d.command.heat for d in decisions]
    assert heat.index(True) * TICK_S >= TRAVEL_S


def test_a_loop_without_a_valve_is_a_way() -> None:
    """Where another loop is always open nothing is waited for."""
    shop = Shop(pump=None, loops=(make_loop(VALVE), make_loop(name="hall-loop")))
    shop.wanted = False
    shop.run(CLOSE_AFTER_S + 60.0)
    shop.wanted = True
    assert shop.tick().command.heat


def test_never_heat_against_a_valve_that_is_reported_shut() -> None:
    """One that jams withholds the heat, with frost too; it says so, and ends when it moves."""
    shop = shut_shop()
    shop.valve_works = False
    assert not any(d.command.heat for d in shop.run(1800.0))
    assert reason(shop.last) == "valves_shut"
    assert not shop.told("pump").on
    shop.readings = (slab(3.0), *shop.readings[1:])
    assert not any(d.command.heat for d in shop.run(600.0))
    shop.valve_works = True
    shop.until_heat()


def test_a_valve_that_falls_shut_under_heat_ends_the_heat() -> None:
    """The heat goes with the report; the pump is not stopped for it."""
    shop = shut_shop()
    shop.until_heat()
    shop.run(600.0)
    shop.valve_works = False
    decision = shop.tick()
    assert not decision.command.heat
    assert decision.deciding.severity is Severity.OFF
    assert shop.told("pump").on


def test_a_valve_whose_report_is_lost_withholds_all_but_frost_heat() -> None:
    """Its board may have lost its power, and the valve have closed: nobody knows."""
    shop = shut_shop()
    shop.until_heat()
    shop.run(600.0)
    shop.valve_silent = True
    assert not any(d.command.heat for d in shop.run(900.0))
    assert reason(shop.last) == "valves_unknown"
    assert shop.told("valve").on
    shop.readings = (slab(3.0), *shop.readings[1:])
    shop.until_heat()
    shop.readings = MILD
    shop.valve_silent = False
    shop.until_heat()


def test_a_loop_that_is_always_open_needs_no_report() -> None:
    """Nor does a valve without one: what it was told is all that there is to know."""
    shop = Shop(loops=(make_loop(VALVE), make_loop(name="hall-loop")))
    shop.valve_silent = True
    shop.until_heat()


def test_valves_close_after_the_pump_has_stopped() -> None:
    """Heat, pump, valve, in this order."""
    shop = shut_shop()
    shop.until_heat()
    shop.run(600.0)
    shop.wanted = False
    decisions = shop.run(CLOSE_AFTER_S + 2 * TICK_S)
    on = {
        name: sum(told.on for d in decisions for told in d.outputs if told.output == name)
        for name in ("pump", "valve")
    }
    assert OVERRUN_S <= on["pump"] * TICK_S <= OVERRUN_S + 2 * TICK_S
    assert CLOSE_AFTER_S <= on["valve"] * TICK_S <= CLOSE_AFTER_S + 2 * TICK_S
    assert not any(told.on for told in shop.last.outputs)


def test_a_new_process_waits_for_the_valve_anew() -> None:
    """Whether a valve is open cannot be known from before: its travel counts from the start."""
    shop = shut_shop()
    shop.until_heat()
    shop.run(600.0)
    shop.restart()
    heat = [d.command.heat for d in shop.run(TRAVEL_S + 400.0)]
    assert heat.index(True) * TICK_S >= TRAVEL_S


def test_a_new_process_does_not_stop_the_pump_to_wait_for_the_valve() -> None:
    """Both run on from before, by their leases: the boiler's last heat is still carried off."""
    shop = shut_shop()
    shop.until_heat()
    shop.run(600.0)
    shop.restart()
    decisions = shop.run(TRAVEL_S + 2 * TICK_S)
    assert all(told.on for d in decisions for told in d.outputs)


def test_the_valves_lease_outlasts_the_heat() -> None:
    """By as long as it has to stay open after it."""
    shop = shut_shop()
    shop.until_heat()
    assert shop.told("valve").lease_s >= LEASE_S + CLOSE_AFTER_S + TICK_S


def test_a_valve_that_hears_nothing_takes_no_way_from_the_others() -> None:
    """Its board is dead since the start; the pipes of the other zone must not freeze for it."""
    loft = replace(VALVE, id="loft-valve")
    shop = Shop(pump=None, loops=(make_loop(VALVE), make_loop(loft, "loft-loop")))
    shop.wanted, shop.readings = False, (slab(3.0), air(3.0))
    shop.deaf = frozenset({"loft-valve"})
    decision = shop.until_heat()
    assert decision.deciding.rule == "frost_protection"
    shop.deaf = frozenset({"loft-valve", "valve"})
    shop.run(TRAVEL_S)
    assert not shop.last.command.heat


def test_frost_heat_that_waits_for_longer_than_a_valve_takes_is_an_alarm() -> None:
    """Again and again while it lasts; none while the valve is on its way, none for planned heat."""
    shop = Shop(loops=VALVED)
    shop.deaf = frozenset({"valve"})
    shop.run(1800.0)
    assert not alarms_of(shop)
    shop.wanted, shop.readings = False, (slab(3.0), air(3.0))
    shop.run(TRAVEL_S + 120.0)
    assert not alarms_of(shop)
    shop.run(2 * TICK_S)
    assert alarms_of(shop) == {NoticeKind.FROST_WAITS}
    shop.restart()
    shop.tick()
    assert alarms_of(shop) == {NoticeKind.FROST_WAITS}
    shop.deaf = frozenset()
    shop.until_heat()
    assert not alarms_of(shop)


def alarms_of(shop: Shop) -> set[NoticeKind]:
    return {notice.kind for notice in shop.last.notices if notice.alarm}
