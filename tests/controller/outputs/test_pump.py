"""The pump runs and is proven before heat, runs on after it, and while something is too hot."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from controller.interlocks import RULES, pump_proof
from controller.outputs.account import EXERCISE_S
from controller.outputs.circulation import CARRIES_OFF, STOOD_S
from controller.outputs.sequence import REST_S
from controller.records.limits import LEASE_S, TICK_S
from controller.records.outputs import OutputReason
from controller.records.safety import EVERYTHING, Severity
from controller.records.site import Role
from tests.controller.builders import MILD, air, lost, make_heater, outdoor, sensed, slab
from tests.controller.outputs.shop import OVERRUN_S, PROOF_S, PUMP, VALVE, Shop, make_loop, reason

MIN_ON_S = 300.0


def test_without_a_pump_nothing_is_switched_beside_the_heat() -> None:
    """The base case: the boiler runs its own pump, and the rule says that none is fitted."""
    shop = Shop(pump=None)
    decision = shop.until_heat()
    assert decision.outputs == ()
    assert "outputs" not in (shop.carry.state.memories or {})


def test_the_pump_runs_and_is_proven_before_heat() -> None:
    """Pump told first, heat held back until a report from after its start says that it runs."""
    shop = Shop()
    shop.wanted = False
    shop.run(2 * OVERRUN_S)
    assert not shop.told("pump").on
    shop.wanted = True
    assert not shop.tick().command.heat
    assert shop.told("pump").on
    assert reason(shop.last) == "pump_starting"
    assert shop.last.deciding.severity is Severity.HOLD
    assert not shop.last.command.heat
    decision = shop.tick()
    assert decision.command.heat
    assert shop.told("pump").reason is OutputReason.HEAT


def test_a_report_from_before_the_start_proves_nothing() -> None:
    """The report of an earlier run, not renewed since, does not let heat through."""
    shop = Shop()
    shop.silent = False
    old = sensed(Role.RELAY_STATE, 1.0, subject="pump", age_s=400.0)
    shop._reports = lambda: [old]  # a report that never changes, of one age
    decisions = shop.run(900.0)
    assert not any(d.command.heat for d in decisions[: round(400.0 / TICK_S)])


def test_without_proof_there_is_no_heat_an_alarm_and_another_try() -> None:
    """A pump that stands trips its rule after its time, rests, and is tried again."""
    shop = Shop()
    shop.pump_works = False
    decisions = shop.run(MIN_ON_S + PROOF_S + 30.0)
    assert reason(shop.last) == "stands"
    assert shop.last.deciding.severity is Severity.TRIP
    assert shop.told("pump").reason is OutputReason.RESTING
    decisions += shop.run(2000.0)
    on = [d.outputs[0].on for d in decisions]
    starts = [n for n in range(1, len(on)) if on[n] and not on[n - 1]]
    assert len(starts) >= 4
    apart = {round((b - a) * TICK_S) for a, b in pairwise(starts)}
    assert apart == {round(PROOF_S + REST_S)}
    assert not any(d.command.heat for d in decisions)
    assert not shop.carry.state.latched  # nothing to acknowledge
    shop.pump_works = True
    assert shop.until_heat().deciding is None


def test_a_pump_that_fails_under_heat_ends_the_heat_and_is_kept_on() -> None:
    """The heat goes at once; the overrun is owed, so that the pump is not left alone yet."""
    overrun_s = 3 * MIN_ON_S  # longer than the heat would stay off by itself
    shop = Shop(pump=replace(PUMP, overrun_s=overrun_s))
    shop.until_heat()
    shop.run(600.0)
    shop.pump_works = False
    assert shop.tick().command.heat is False
    assert reason(shop.last) == "stands"
    assert all(d.outputs[0].on for d in shop.run(overrun_s - 2 * TICK_S))
    shop.run(3 * TICK_S)
    assert shop.told("pump").reason is OutputReason.RESTING


def test_overrun_after_heat() -> None:
    """The pump runs on for its overrun after the last heat, and not for ever."""
    shop = Shop()
    shop.until_heat()
    shop.run(600.0)
    shop.wanted = False
    decisions = shop.run(OVERRUN_S)
    assert not any(d.command.heat for d in decisions)
    assert {d.outputs[0].reason for d in decisions} == {OutputReason.OVERRUN}
    assert all(d.outputs[0].on for d in decisions)
    shop.run(2 * TICK_S)
    assert (shop.told("pump").on, shop.told("pump").reason) == (False, OutputReason.IDLE)


def test_a_new_process_runs_the_overrun_that_the_old_one_owes() -> None:
    """Killed under heat, the next one begins with the whole overrun; one that knows nothing too."""
    shop = Shop()
    shop.until_heat()
    shop.run(300.0)
    shop.restart()
    shop.wanted = False
    assert all(d.outputs[0].on for d in shop.run(OVERRUN_S - TICK_S))
    fresh = Shop()
    fresh.wanted = False
    assert all(d.outputs[0].on for d in fresh.run(OVERRUN_S - TICK_S))
    fresh.run(3 * TICK_S)
    assert not fresh.told("pump").on


def test_a_kill_right_after_the_first_on_owes_the_overrun_too() -> None:
    """What is stored with an ON says that there is heat, not how long there had been none."""
    shop = Shop()
    shop.wanted = False
    shop.run(4 * OVERRUN_S)
    shop.wanted = True
    shop.until_heat()
    shop.restart()
    shop.wanted = False
    assert all(d.outputs[0].on for d in shop.run(OVERRUN_S - TICK_S))
    shop.run(3 * TICK_S)
    assert not shop.told("pump").on


def test_a_memory_that_makes_no_sense_counts_as_heat_just_ended() -> None:
    """Whatever a damaged store says, the overrun is owed."""
    shop = Shop()
    shop.wanted = False
    nonsense = {"since_heat_s": math.nan, "pump_s": math.inf, "stood_s": math.nan}
    state = replace(shop.carry.state, memories={"outputs": nonsense})
    shop.carry = replace(shop.carry, state=state)
    assert all(d.outputs[0].on for d in shop.run(OVERRUN_S - TICK_S))
    shop.run(3 * TICK_S)
    assert not shop.told("pump").on


@pytest.mark.parametrize(
    ("hot", "rule"),
    [
        ((slab(40.5),), "slab_over_temperature"),
        ((sensed(Role.SUPPLY, 56.0, subject="bay-loop"),), "supply_over_temperature"),
        ((sensed(Role.FLOOR_SURFACE, 36.0), slab(38.0)), "floor_surface"),
    ],
)
def test_the_pump_stays_on_at_over_temperature(hot, rule: str) -> None:
    """Heat stops, the pump runs on for as long as it is too hot, well past the overrun."""
    shop = Shop()
    shop.until_heat()
    shop.run(600.0)
    roles = {s.role for s in hot}
    shop.readings = (*hot, *(s for s in shop.readings if s.role not in roles))
    decisions = shop.run(6 * OVERRUN_S)
    assert not any(d.command.heat for d in decisions)
    assert shop.last.deciding.rule == rule
    assert {(d.outputs[0].on, d.outputs[0].reason) for d in decisions} == {
        (True, OutputReason.TRIP)
    }


def test_the_pump_stays_on_while_the_heater_heats_after_an_off() -> None:
    """A welded relay heats on: what it makes must be carried off."""
    shop = Shop()
    shop.wanted = False
    shop.run(600.0)
    shop.readings = (*shop.readings, sensed(Role.RELAY_STATE, 1.0, subject="boiler"))
    shop.run(600.0)
    assert shop.last.deciding.rule == "relay_read_back"
    assert (shop.told("pump").on, shop.told("pump").reason) == (True, OutputReason.TRIP)


def test_rules_at_whose_trip_fluid_goes_on_exist() -> None:
    """No name in the list has lost its rule."""
    assert {rule.NAME for rule in RULES} >= CARRIES_OFF


FROZEN = (slab(3.0), air(4.0), outdoor(-8.0))


def test_frost_heat_waits_for_the_pump_and_then_comes() -> None:
    """Frost protection beats the rest, and still finds the pump running first."""
    shop = Shop()
    shop.wanted = False
    shop.readings = FROZEN
    decisions = shop.run(120.0)
    heat = [d.command.heat for d in decisions]
    pump = [d.outputs[0].on for d in decisions]
    assert heat.index(True) > pump.index(True)
    assert all(heat[heat.index(True) :])


def test_frost_heat_comes_without_proof_where_nothing_is_known_of_the_pump() -> None:
    """A silent sensor is unknown, and must not freeze the pipes: after the pump's time."""
    shop = Shop()
    shop.wanted, shop.silent, shop.readings = False, True, FROZEN
    decisions = shop.run(PROOF_S + 5 * TICK_S)
    first = [d.command.heat for d in decisions].index(True)
    assert first * TICK_S >= PROOF_S
    assert all(d.outputs[0].on for d in decisions)


def test_there_is_no_other_heat_where_nothing_is_known_of_the_pump() -> None:
    """The same silence withholds all heat but frost heat."""
    shop = Shop()
    shop.silent = True
    assert not any(d.command.heat for d in shop.run(1800.0))
    assert reason(shop.last) == "unknown"


def test_frost_heat_does_not_come_over_a_pump_that_stands() -> None:
    """It would heat the boiler alone."""
    shop = Shop()
    shop.wanted, shop.pump_works, shop.readings = False, False, FROZEN
    assert not any(d.command.heat for d in shop.run(3600.0))


def test_blind_frost_heat_that_was_not_given_is_not_charged() -> None:
    """A pump that stands for twenty minutes spends none of the hour's budget."""
    shop = Shop()
    shop.wanted = False
    shop.run(2 * OVERRUN_S)
    memories = dict(shop.carry.state.memories or {})
    memories["frost_protection"] = {"minute_s": 0.0, "unseen_s": 600.0}
    shop.carry = replace(shop.carry, state=replace(shop.carry.state, memories=memories))
    shop.readings = (lost(Role.SLAB), lost(Role.AIR), outdoor(-8.0))
    shop.pump_works = False
    assert not any(d.command.heat for d in shop.run(1200.0))
    shop.pump_works = True
    decisions = shop.run(3600.0)
    heat = [d.command.heat for d in decisions]
    assert heat.index(True) * TICK_S <= REST_S + PROOF_S + 2 * TICK_S
    assert sum(heat) * TICK_S == 900.0


def test_fluid_moves_while_frost_may_not_heat() -> None:
    """In a lockout on a cold night the pump runs all the same."""
    shop = Shop()
    shop.wanted = False
    state = replace(shop.carry.state, latched=frozenset({"slab_over_temperature"}))
    shop.carry = replace(shop.carry, state=state)
    shop.readings = FROZEN
    decisions = shop.run(1200.0)
    assert not any(d.command.heat for d in decisions)
    assert (shop.told("pump").on, shop.told("pump").reason) == (True, OutputReason.FROST)


def filled_shop() -> Shop:
    """One at rest whose gauge has shown a full loop."""
    shop = Shop()
    shop.wanted = False
    shop.readings = (*MILD, sensed(Role.PRESSURE, 1.2, subject="bay-loop"))
    shop.run(300.0)
    return shop


def test_a_loop_that_bursts_under_heat_has_no_overrun() -> None:
    """There is nothing left to go round, and a pump that runs dry is soon a broken one."""
    shop = filled_shop()
    shop.wanted = True
    shop.until_heat()
    shop.readings = (*MILD, sensed(Role.PRESSURE, 0.2, subject="bay-loop"))
    assert not any(told.on for told in shop.tick().outputs)
    shop.readings = (*MILD, sensed(Role.PRESSURE, 2.3, subject="bay-loop"))
    shop.restart()
    assert shop.tick().outputs[0].on, "too much of it is carried round"


def test_a_loop_that_has_lost_its_fluid_is_not_pumped_for_frost() -> None:
    """The pump would run dry, and the leak would be fed."""
    shop = filled_shop()
    shop.readings = (*FROZEN, sensed(Role.PRESSURE, 0.2, subject="bay-loop"))
    decisions = shop.run(OVERRUN_S + 600.0)
    assert not any(d.command.heat for d in decisions)
    assert not any(d.outputs[0].on for d in decisions[-30:])
    assert shop.last.deciding.rule == "loop_pressure"


def test_a_pump_that_has_stood_for_two_weeks_is_run_for_a_moment() -> None:
    """A minute, once; then it stands again."""
    shop = Shop()
    shop.wanted = False
    shop.run(600.0)
    memories = dict(shop.carry.state.memories or {})
    memories["outputs"] = {**memories["outputs"], "stood_s": STOOD_S - 2 * TICK_S}
    state = replace(shop.carry.state, memories=memories)
    shop.carry = replace(shop.carry, state=state)
    decisions = shop.run(600.0)
    ran = [d.outputs[0].reason for d in decisions if d.outputs[0].on]
    assert set(ran) == {OutputReason.EXERCISE}
    assert EXERCISE_S <= len(ran) * TICK_S <= EXERCISE_S + 2 * TICK_S
    assert not any(d.command.heat for d in decisions)


def test_no_heat_while_the_pump_cannot_be_told() -> None:
    """Without its connection nothing renews its lease: the heat stops first."""
    shop = Shop()
    shop.until_heat()
    shop.run(600.0)
    shop.deaf = frozenset({"pump"})
    assert not any(d.command.heat for d in shop.run(60.0))
    shop.deaf = frozenset()
    shop.until_heat()


@pytest.mark.parametrize("drop_out_s", [None, 900.0])
def test_the_pumps_lease_outlasts_the_heat_and_its_overrun(drop_out_s: float | None) -> None:
    """Whenever the service dies, the heat ends before the pump does, by the whole overrun."""
    shop = Shop()
    if drop_out_s is not None:
        relay = replace(make_heater().relay, leases=False, drop_out_s=drop_out_s)
        shop._heater = replace(shop._heater, relay=relay)
    shop.until_heat()
    heat_s = drop_out_s or LEASE_S
    assert shop.told("pump").lease_s >= heat_s + OVERRUN_S + TICK_S


def test_an_off_has_no_lease_and_each_tick_its_own_sequence() -> None:
    """Outputs go by the numbers of the heater's command."""
    shop = Shop()
    shop.wanted = False
    shop.run(600.0)
    told = shop.told("pump")
    assert (told.on, told.lease_s) == (False, 0.0)
    assert (told.sequence, told.issued_s) == (
        shop.last.command.sequence,
        shop.last.command.issued_s,
    )


def test_the_pumps_own_sensors_do_not_speak_for_the_heater() -> None:
    """Its report ON while the heater is told OFF trips nothing."""
    shop = Shop(pump=PUMP, loops=(make_loop(),))
    shop.until_heat()
    shop.run(600.0)
    shop.wanted = False
    for decision in shop.run(OVERRUN_S):
        said = {v.rule: v.reason for v in decision.verdicts}
        assert said["relay_read_back"] == "not_fitted"
        assert said[pump_proof.NAME] == "runs"


def test_a_pump_or_its_proof_that_leaves_the_site_file_is_missed() -> None:
    """Nothing would run and prove it any more: no heat until that is acknowledged."""
    shop = Shop(pump=replace(PUMP, proven_above_w=10.0), loops=(make_loop(VALVE),))
    power = sensed(Role.POWER, 30.0, subject="pump")
    shop.readings = (*MILD, power)
    shop.until_heat()
    without = Shop(pump=None, carry=shop.carry)
    without.now = shop.now
    without.restart()
    assert not any(d.command.heat for d in without.run(1800.0))
    said = {v.rule: v.subject for v in without.last.verdicts}
    gone = ["power@pump", "pump@pump", "relay_state@pump", "relay_state@valve", "valve@valve"]
    assert said["removed_role"].split(", ") == gone
    without.tick(acknowledged=EVERYTHING)
    without.until_heat()


def test_a_loop_that_is_locked_out_stays_dry_when_its_gauge_is_lost() -> None:
    """What its gauge last proved holds until somebody has been there."""
    shop = filled_shop()
    shop.readings = (*MILD, sensed(Role.PRESSURE, 0.2, subject="bay-loop"))
    shop.run(OVERRUN_S + 300.0)
    assert shop.carry.state.latched == {"loop_pressure"}
    shop.readings = (*FROZEN, lost(Role.PRESSURE, subject="bay-loop"))
    decisions = shop.run(1800.0)
    assert not any(told.on for d in decisions for told in d.outputs)
