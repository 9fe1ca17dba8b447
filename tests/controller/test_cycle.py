"""One tick: what goes into a decision, what is carried on, and what time may not do to it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.cycle import Carry, Situation, decide, share_of_power
from controller.records.decision import HeaterState, Notice, NoticeKind
from controller.records.instant import Instant
from controller.records.limits import LEASE_S, TICK_S
from controller.records.plan import Rung
from controller.records.readings import Condition
from controller.records.safety import EVERYTHING, Severity
from controller.records.site import Role
from tests.controller.builders import (
    HOUR_S,
    MILD,
    START,
    START_S,
    air,
    later,
    lost,
    make_outlook,
    make_parameters,
    make_plan,
    make_session,
    make_situation,
    make_zone,
    outdoor,
    reasons,
    slab,
)
from tests.controller.ticks import PLAN, Run

# --- start --------------------------------------------------------------------------------------


@pytest.mark.parametrize("stored", [None, HeaterState(sequence=7, heating=True)])
def test_start_means_off(stored: HeaterState | None) -> None:
    """Whatever was on before, the first command of a process is OFF, and so is the first lease."""
    decision = Run(stored).tick(*MILD, plan=PLAN)
    assert (decision.command.heat, decision.command.lease_s) == (False, 0.0)
    assert decision.wish.heat is True


def test_a_stored_on_is_not_the_last_command_of_a_new_process() -> None:
    """Minimum times, rest and read-back start from OFF, so that nothing is held on."""
    carry = Carry.at_start(HeaterState(heating=True), START)
    assert (carry.state.heating, carry.changed_mono_s) == (False, START.mono_s)


def test_heat_comes_when_the_start_is_over() -> None:
    """After the minimum off time on fresh readings the timetable is followed, on a lease."""
    run = Run()
    assert run.run(300.0, *MILD, plan=PLAN).command.heat is False
    decision = run.tick(*MILD, plan=PLAN)
    assert (decision.command.heat, decision.command.lease_s) == (True, LEASE_S)
    assert decision.deciding is None


def test_sequence_and_issue_time_leap_over_a_killed_process() -> None:
    """A new process begins above everything that the old one can have sent after its last row."""
    old = HeaterState(sequence=1000, issued_s=START_S - 5.0, ticked=later(-5.0))
    command = Run(old).tick().command
    # a row is written every minute, which is six ticks
    assert command.sequence > 1000 + 6
    assert command.issued_s == pytest.approx(START_S, abs=0.01), "no further than time has gone"


def test_a_first_start_has_nothing_to_leap_over() -> None:
    """Without a stored state the time of issue is the wall clock's."""
    assert Run().tick().command.issued_s == START_S


def test_what_must_survive_does() -> None:
    """Lockouts and memories of the last process hold in the next."""
    stored = HeaterState(
        latched=frozenset({"slab_over_temperature"}),
        memories={"maximum_run": {"run_s": 13 * HOUR_S, "rested_s": 0.0}},
    )
    decision = Run(stored).tick(*MILD)
    assert decision.deciding is not None
    assert decision.deciding.rule == "lockout"
    assert reasons(decision.verdicts)["maximum_run"] == "resting"


def test_a_lockout_is_lifted_by_the_owner_alone() -> None:
    """The acknowledgement of a situation reaches the supervisor, and the state forgets."""
    run = Run(HeaterState(latched=frozenset({"slab_over_temperature"})))
    run.run(600.0, *MILD, plan=PLAN)
    assert run.carry.state.latched
    assert run.tick(*MILD, plan=PLAN, acknowledged=EVERYTHING).command.heat is True
    assert not run.carry.state.latched


# --- time ---------------------------------------------------------------------------------------


@settings(deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.floats(0.001, 60.0), st.sampled_from([0.0, 0.5, 3600.0, -3600.0, -86400.0])),
        min_size=1,
        max_size=15,
    )
)
def test_sequence_and_issue_time_never_go_back(steps: list[tuple[float, float]]) -> None:
    """However the wall clock is set, both rise from each command to the next."""
    carry, now = Carry.at_start(HeaterState(sequence=3, issued_s=START_S), START), START
    commands = []
    for seconds, set_by_s in steps:
        now = Instant(now.utc_s + seconds + set_by_s, now.mono_s + seconds)
        decision, carry = decide(make_situation(now=now), carry)
        commands.append(decision.command)
    pairs = list(pairwise(commands))
    assert all(after.sequence == before.sequence + 1 for before, after in pairs)
    assert all(after.issued_s > before.issued_s for before, after in pairs)


def test_issue_time_runs_on_while_the_wall_clock_is_behind() -> None:
    """After a step back it advances with monotonic time, until the wall clock has caught up."""
    run = Run()
    before = run.tick().command.issued_s
    run.now = Instant(run.now.utc_s - HOUR_S, run.now.mono_s)
    assert run.tick().command.issued_s == before + TICK_S
    run.now = Instant(START_S + HOUR_S, run.now.mono_s)
    assert run.tick().command.issued_s == START_S + HOUR_S


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_a_step_of_the_wall_clock_is_seen(step_s: float) -> None:
    """The tick after a step withholds heat, whichever way the clock was set."""
    run = Run()
    run.run(600.0)
    run.now = Instant(run.now.utc_s + step_s, run.now.mono_s)
    decision = run.tick()
    assert reasons(decision.verdicts)["clock_jump"] == "jumped"


def test_a_late_tick_is_no_step() -> None:
    """Half a minute without a tick moves both clocks alike."""
    run = Run()
    run.tick()
    run.now = later(29.0, run.now)
    assert reasons(run.tick().verdicts)["clock_jump"] == "clear"


def test_minimum_times_go_by_monotonic_time() -> None:
    """A wall clock set ahead does not shorten the minimum off time."""
    run = Run()
    run.tick(plan=None)
    run.now = Instant(run.now.utc_s + HOUR_S, run.now.mono_s)
    plan = make_plan(made_s=run.now.utc_s)
    decision = run.run(120.0, *MILD, plan=plan)
    assert reasons(decision.verdicts)["short_cycle"] == "too_soon_on"


def test_the_age_of_a_command_counts_from_its_last_change() -> None:
    """Renewing an ON does not make it a new command."""
    run = Run()
    run.run(310.0, *MILD, plan=PLAN)
    assert run.carry.state.heating
    run.run(300.0, *MILD, plan=PLAN)
    off = make_plan(made_s=START_S, heat=False)
    assert run.tick(*MILD, plan=off).command.heat is False


def test_a_tick_begun_before_its_predecessor_changes_nothing_in_the_carry_it_was_given() -> None:
    """``decide`` gives the same answer to the same question, and alters nothing."""
    carry = Carry.at_start(None, START)
    situation = make_situation(plan=PLAN)
    assert decide(situation, carry) == decide(situation, carry)


# --- smoothed room air --------------------------------------------------------------------------

RUNNING = make_session(START_S - HOUR_S, 12.0, target_c=16.0)


def warm_run() -> Run:
    """Half an hour at 17 °C, so that a thermostat at 16 °C has nothing to do."""
    run = Run()
    run.run(1800.0, slab(18.0), air(17.0), outdoor(), sessions=(RUNNING,))
    return run


def test_an_open_door_moves_nothing() -> None:
    """Nine minutes of frosty air at an open door neither move the estimate nor start the heater."""
    run = warm_run()
    for _ in range(54):
        decision = run.tick(slab(18.0), air(3.0), outdoor(), sessions=(RUNNING,))
        assert decision.estimates[0].air_c == 17.0
        assert decision.wish.heat is False


def test_a_room_that_stays_cold_is_believed() -> None:
    """After as long as the smoothing the estimate is the cold air, and the heater starts."""
    run = warm_run()
    decision = run.run(1200.0, slab(18.0), air(13.0), outdoor(), sessions=(RUNNING,))
    assert decision.estimates[0].air_c == 13.0
    assert decision.wish.heat is True


def test_one_spike_moves_nothing() -> None:
    """A single wild value among many has no weight."""
    run = warm_run()
    run.tick(slab(18.0), air(44.0), outdoor())
    assert run.run(60.0, slab(18.0), air(17.0), outdoor()).estimates[0].air_c == 17.0


def test_old_air_is_forgotten() -> None:
    """Twenty minutes after the last trusted value there is no estimate of the air any more."""
    run = warm_run()
    blind = (slab(18.0), lost(Role.AIR), outdoor())
    assert run.run(600.0, *blind).estimates[0].air_c == 17.0
    assert run.run(620.0, *blind).estimates[0].air_c is None


def test_an_untrusted_value_never_enters() -> None:
    """Only fresh values count for the estimate, of the air and of the slab."""
    readings = (slab(50.0, condition=Condition.STALE), air(40.0, condition=Condition.IMPLAUSIBLE))
    estimate = Run().tick(*readings).estimates[0]
    assert (estimate.air_c, estimate.slab_c) == (None, None)


def test_two_sensors_of_a_role_are_averaged() -> None:
    """The estimate lies between two trusted sensors, and passes over a lost one."""
    two = (slab(10.0), slab(12.0, sensor="b"), lost(Role.SLAB), air(14.0), air(16.0, sensor="b"))
    estimate = Run().tick(*two).estimates[0]
    assert (estimate.slab_c, estimate.air_c) == (11.0, 15.0)


def test_the_carry_stays_small() -> None:
    """The air that is kept covers the smoothing and no more, however long the run."""
    run = Run()
    run.run(3 * HOUR_S)
    assert len(run.carry.airs["bay"]) <= 21  # one a minute over twenty minutes, both ends counted


# --- what a decision holds ----------------------------------------------------------------------


def test_a_decision_tells_what_it_was_made_of() -> None:
    """Readings, estimate, wish, verdicts, command and notices are all on record."""
    notice = Notice(NoticeKind.STARTED, "The service has started.")
    session = make_session()
    plan = make_plan(sessions=(session,))
    parameters = {"bay": make_parameters()}
    decision = Run().tick(
        *MILD, plan=plan, sessions=(session,), parameter_sets=parameters, notices=(notice,)
    )
    assert decision.sensed == MILD
    assert decision.at == START
    assert decision.zones == ("bay",)
    assert decision.notices == (notice,)
    assert decision.wish.plan == plan.id
    estimate = decision.estimates[0]
    assert (estimate.parameter_set, estimate.arrival_c) == ("bay-1", 18.2)
    assert (estimate.arrival_low_c, estimate.arrival_high_c) == (17.6, 18.8)


def test_the_expectation_is_that_of_the_next_session() -> None:
    """What a timetable expects of another session is not told of this one."""
    other = make_session(session_id="other@2026-01-12")
    assert Run().tick(plan=make_plan(), sessions=(other,)).estimates[0].arrival_c is None


def test_nothing_to_do_is_a_decision_too() -> None:
    """With nothing booked and nothing planned there is still a whole decision."""
    run = Run()
    run.run(60.0)
    decision = run.tick()
    assert (decision.command.heat, decision.wish.rung) == (False, Rung.FROST_ONLY)
    assert decision.deciding is None
    assert len(decision.verdicts) > 10


# --- the lower rungs, through the whole tick ----------------------------------------------------


def test_the_guards_own_lead_time_does_not_heat_for_a_far_session() -> None:
    """Without a timetable the heater stays off until the lead time of the next session."""
    parameters = {"bay": make_parameters()}
    far = (make_session(START_S + 72 * HOUR_S),)
    near = (make_session(START_S + 4 * HOUR_S),)
    run = Run()
    assert run.run(600.0, *MILD, sessions=far, parameter_sets=parameters).command.heat is False
    decision = run.run(20.0, *MILD, sessions=near, parameter_sets=parameters)
    assert (decision.command.heat, decision.wish.rung) == (True, Rung.LEAD_TIME)


def test_a_lost_outdoor_reading_brings_it_down_to_the_thermostat() -> None:
    """The lead time needs outdoor air; without it the session is held once it runs."""
    parameters = {"bay": make_parameters()}
    decision = Run().tick(slab(), air(), sessions=(RUNNING,), parameter_sets=parameters)
    assert decision.wish.rung is Rung.THERMOSTAT


# --- several zones ------------------------------------------------------------------------------


def two_zones(*loft: Any, **changes: Any) -> Situation:
    """Two zones on the boiler, the loft as given."""
    zones = (make_zone("bay", 30.0), make_zone("loft", 10.0))
    return make_situation(*MILD, *loft, zones=zones, **changes)


def test_power_is_shared_by_floor_area() -> None:
    """Three quarters of the floor get three quarters of the heat; a single zone gets all."""
    zones = two_zones().zones
    assert [share_of_power(zone, zones) for zone in zones] == [0.75, 0.25]
    assert share_of_power(zones[0], zones[:1]) == 1.0


def test_each_zone_has_an_estimate_of_its_own() -> None:
    """Readings of one zone never enter another's estimate."""
    loft = (slab(10.0, subject="loft"), air(8.0, subject="loft"))
    outlooks = (make_outlook("bay"), make_outlook("loft", arrivals=()))
    session = make_session()
    plan = make_plan(sessions=(session,), outlooks=outlooks)
    situation = two_zones(*loft, plan=plan, sessions=(session,))
    decision, _ = decide(situation, Carry.at_start(None, START))
    bay, up = decision.estimates
    assert (bay.zone, bay.slab_c, bay.air_c, bay.arrival_c) == ("bay", 16.0, 14.0, 18.2)
    assert (up.zone, up.slab_c, up.air_c, up.arrival_c) == ("loft", 10.0, 8.0, None)


def test_a_lost_zone_stops_the_heater_of_both() -> None:
    """One heater for two slabs does not heat while one of them is unknown."""
    carry = replace(Carry.at_start(None, START), last_tick=later(-TICK_S))
    loft = (lost(Role.SLAB, "loft"), air(8.0, subject="loft"))
    decision, _ = decide(two_zones(*loft, plan=PLAN), carry)
    assert decision.wish.heat is True
    assert decision.command.heat is False
    assert reasons(decision.verdicts)["stale_reading"] == "stale"


def test_a_hot_zone_stops_the_heater_of_both() -> None:
    """A hard limit exceeded in one zone ends the heat, frost in the other or not."""
    loft = (slab(41.0, subject="loft"), air(20.0, subject="loft"))
    situation = two_zones(*loft, plan=PLAN)
    situation = replace(situation, sensed=(slab(3.0), air(3.0), *loft))
    decision, _ = decide(situation, Carry.at_start(None, START))
    assert decision.command.heat is False
    assert decision.deciding is not None
    assert decision.deciding.severity is Severity.TRIP


def test_a_lost_store_does_not_bring_the_sequence_below_what_a_relay_has_seen() -> None:
    """With nothing stored it starts from the seconds since 1970, which outrun the ticks."""
    year_long = Carry.at_start(None, START).state.sequence + 365 * 8640
    a_year_on = Instant(START_S + 365 * 86400.0, 10.0)
    assert Carry.at_start(None, a_year_on).state.sequence > year_long
