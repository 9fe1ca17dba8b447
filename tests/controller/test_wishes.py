"""The fallback chain: each rung in turn, and what makes it give way to the next."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.records.decision import Estimate
from controller.records.plan import Block, BlockReason, Rung
from controller.wishes import LONGEST_LEAD_S, PLAN_LASTS_S, Outlook, aimed_at, plan_is_valid, wish
from tests.controller.builders import (
    HOUR_S,
    RATING_W,
    START_S,
    make_parameters,
    make_plan,
    make_session,
)

SESSION = make_session(START_S + 3 * HOUR_S)
RUNNING = make_session(START_S - HOUR_S)


def estimate(air_c: float | None = 14.0, zone: str = "bay") -> Estimate:
    return Estimate(zone, air_c, 16.0, "bay-1")


def outlook(**changes: Any) -> Outlook:
    """A valid timetable with heat, and all that the rungs below it need."""
    base = Outlook(
        utc_s=START_S,
        plan=make_plan(sessions=(SESSION,)),
        sessions=(SESSION,),
        estimates={"bay": estimate()},
        parameter_sets={"bay": make_parameters()},
        outdoor_c=2.0,
        zone_power_w={"bay": RATING_W},
        heating=False,
    )
    return replace(base, **changes)


# --- the chain ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("broken", "rung"),
    [
        ({}, Rung.PROGRAMME),
        ({"plan": None}, Rung.LEAD_TIME),
        ({"plan": None, "outdoor_c": None}, Rung.THERMOSTAT),
        ({"plan": None, "parameter_sets": {}}, Rung.THERMOSTAT),
        ({"plan": None, "estimates": {}}, Rung.FROST_ONLY),
        ({"plan": None, "estimates": {"bay": estimate(None)}}, Rung.FROST_ONLY),
        ({"plan": None, "sessions": ()}, Rung.FROST_ONLY),
    ],
)
def test_each_rung_stands_where_the_ones_above_fail(broken: dict[str, Any], rung: Rung) -> None:
    """What is missing decides how far down the chain the wish stands."""
    # the session runs, so that the thermostat has something to hold
    given = {"sessions": (RUNNING,), "plan": make_plan(sessions=(RUNNING,)), **broken}
    assert wish(outlook(**given)).rung is rung


def test_no_rung_but_frost_wishes_for_nothing() -> None:
    """With nothing to go by there is no wish for heat."""
    found = wish(outlook(plan=None, sessions=(), estimates={}, parameter_sets={}, outdoor_c=None))
    assert (found.heat, found.rung) == (False, Rung.FROST_ONLY)


# --- programme ----------------------------------------------------------------------------------


@pytest.mark.parametrize("heat", [False, True])
def test_the_timetable_is_followed(heat: bool) -> None:
    """The block that holds this moment is the wish, with its plan and its reason."""
    plan = make_plan(sessions=(SESSION,), heat=heat)
    found = wish(outlook(plan=plan))
    assert (found.heat, found.plan) == (heat, plan.id)
    assert found.reason is plan.blocks[0].reason


def test_blocks_change_at_their_edges() -> None:
    """A block holds from its start up to, not including, its end."""
    edge_s = START_S + 900.0
    blocks = (
        Block(START_S, edge_s, True, BlockReason.PREHEAT, SESSION.id),
        Block(edge_s, START_S + 48 * HOUR_S, False, BlockReason.COAST_UP, SESSION.id),
    )
    plan = make_plan(sessions=(SESSION,), blocks=blocks)
    assert wish(outlook(plan=plan, utc_s=edge_s - 1.0)).reason is BlockReason.PREHEAT
    assert wish(outlook(plan=plan, utc_s=edge_s)).reason is BlockReason.COAST_UP


@pytest.mark.parametrize(
    ("after_s", "valid"),
    [
        (-1.0, False),  # a clock set back: the timetable is of the future
        (0.0, True),
        (PLAN_LASTS_S - 1.0, True),
        (PLAN_LASTS_S, False),
        (30 * HOUR_S, False),
    ],
)
def test_a_timetable_ages(after_s: float, valid: bool) -> None:
    """It is followed from its making for six hours."""
    plan = make_plan(sessions=())
    assert plan_is_valid(plan, (), START_S + after_s) is valid


def test_a_timetable_ends() -> None:
    """A short timetable is not followed beyond its end."""
    plan = make_plan(hours=2.0)
    assert plan_is_valid(plan, (), START_S + 2 * HOUR_S - 1.0)
    assert not plan_is_valid(plan, (), START_S + 2 * HOUR_S)


@pytest.mark.parametrize(
    "booked",
    [
        (),
        (replace(SESSION, target_c=19.0),),
        (replace(SESSION, start_s=SESSION.start_s + 900.0),),
        (replace(SESSION, end_s=SESSION.end_s + 900.0),),
        (replace(SESSION, readiness=0.5),),
        (SESSION, make_session(START_S + 20 * HOUR_S, session_id="new@2026-01-13")),
    ],
)
def test_a_timetable_for_other_bookings_is_not_followed(booked: Any) -> None:
    """A session removed, added, moved or changed makes the timetable invalid at once."""
    assert not plan_is_valid(make_plan(sessions=(SESSION,)), booked, START_S)


def test_what_lies_outside_the_timetable_does_not_matter() -> None:
    """Sessions over, or after the timetable's end, may come and go."""
    over = make_session(START_S - 5 * HOUR_S, 4.0, session_id="over@2026-01-12")
    far = make_session(START_S + 60 * HOUR_S, session_id="far@2026-01-14")
    plan = make_plan(sessions=(SESSION, over), hours=48.0)
    assert plan_is_valid(plan, (SESSION, far), START_S)


def test_a_gap_in_the_timetable_falls_through() -> None:
    """Where no block holds the moment, the next rung decides."""
    plan = make_plan(sessions=(SESSION,), blocks=())
    assert wish(outlook(plan=plan)).rung is Rung.LEAD_TIME


# --- lead time ----------------------------------------------------------------------------------

# 20 h of time constant towards 2 + 1 + 40 = 43 °C; in 1 h of dead time 14 °C fall to 13.46 °C:
# lead = 1 h + 20 h ln((43 - 13.46) / (43 - 18)) = 4.34 h; with the margin of 1.25 it is 5.42 h
LEAD_S = 1.25 * 4.34 * HOUR_S


@pytest.mark.parametrize(("early_s", "heat"), [(60.0, False), (-60.0, True)])
def test_preheat_begins_at_the_lead_time(early_s: float, heat: bool) -> None:
    """A minute before the lead time (by hand, to 0.01 h) there is no heat, a minute after is."""
    session = make_session(START_S + LEAD_S + early_s)
    found = wish(outlook(plan=None, sessions=(session,)))
    assert (found.rung, found.heat, found.session) == (Rung.LEAD_TIME, heat, session.id)
    assert found.reason is (BlockReason.PREHEAT if heat else BlockReason.IDLE)


def test_a_warm_room_needs_no_preheat() -> None:
    """A room that stays warm until the session is left alone, however near it is."""
    session = make_session(START_S + 600.0)
    found = wish(outlook(plan=None, sessions=(session,), estimates={"bay": estimate(25.0)}))
    assert found.heat is False


@pytest.mark.parametrize(
    ("ahead_s", "heat"), [(LONGEST_LEAD_S + 60.0, False), (LONGEST_LEAD_S - 60.0, True)]
)
def test_a_target_out_of_reach_is_not_heated_for_all_week(ahead_s: float, heat: bool) -> None:
    """A lead time without end does not begin days ahead of a session that is far away."""
    session = make_session(START_S + ahead_s, target_c=60.0)
    assert wish(outlook(plan=None, sessions=(session,))).heat is heat


@pytest.mark.parametrize(
    ("air_c", "heating", "heat"),
    [
        (17.6, False, True),
        (17.7, False, False),  # 0.3 K under the target is where an idle heater starts
        (18.2, True, True),
        (18.3, True, False),  # and 0.3 K above is where a running one stops
    ],
)
@pytest.mark.parametrize("rung", [Rung.LEAD_TIME, Rung.THERMOSTAT])
def test_a_running_session_is_held_in_a_band(
    air_c: float, heating: bool, heat: bool, rung: Rung
) -> None:
    """Inside a session both lower rungs are a thermostat around the target."""
    sets = {"bay": make_parameters()} if rung is Rung.LEAD_TIME else {}
    found = wish(
        outlook(
            plan=None,
            sessions=(RUNNING,),
            estimates={"bay": estimate(air_c)},
            heating=heating,
            parameter_sets=sets,
        )
    )
    assert (found.rung, found.heat) == (rung, heat)


def test_heat_that_would_arrive_after_the_end_is_not_given() -> None:
    """Within the dead time of the session's end the room runs out on the slab's heat."""
    left_s = HOUR_S  # the dead time itself
    session = make_session(START_S + left_s - 4 * HOUR_S)
    cold = {"bay": estimate(12.0)}
    found = wish(outlook(plan=None, sessions=(session,), estimates=cold))
    assert (found.heat, found.reason) == (False, BlockReason.RUN_OUT)
    found = wish(outlook(plan=None, sessions=(session,), estimates=cold, utc_s=START_S - 60.0))
    assert (found.heat, found.reason) == (True, BlockReason.HOLD)


@pytest.mark.parametrize("name", ["time_constant_s", "gain_k_per_w", "dead_time_s", "offset_k"])
def test_incomplete_parameters_fall_through(name: str) -> None:
    """A parameter set that lacks a number cannot give a lead time."""
    whole = make_parameters()
    values = {key: value for key, value in whole.values.items() if key != name}
    sets = {"bay": replace(whole, values=values)}
    assert wish(outlook(plan=None, parameter_sets=sets)).rung is Rung.FROST_ONLY


# --- several zones ------------------------------------------------------------------------------

LOFT = make_session(START_S + 10 * 24 * HOUR_S, zone="loft", session_id="loft@2026-01-22")
TWO = {
    "sessions": (SESSION, LOFT),
    "plan": None,
    "estimates": {"bay": estimate(), "loft": estimate(zone="loft")},
    "parameter_sets": {"bay": make_parameters(), "loft": make_parameters("loft")},
    "zone_power_w": {"bay": RATING_W / 2, "loft": RATING_W / 2},
}


def test_one_zone_that_wants_heat_is_enough() -> None:
    """The heater runs for the zone whose preheat is due, though the other's is far off."""
    found = wish(outlook(**TWO))
    assert (found.heat, found.rung, found.session) == (True, Rung.LEAD_TIME, SESSION.id)


@pytest.mark.parametrize(
    "broken",
    [
        {"parameter_sets": {"bay": make_parameters()}},
        {"estimates": {"bay": estimate(), "loft": estimate(None, "loft")}},
    ],
)
def test_one_zone_that_cannot_be_told_brings_all_down_a_rung(broken: dict[str, Any]) -> None:
    """A lead time for some zones alone would leave the others cold without a word."""
    assert wish(outlook(**{**TWO, **broken})).rung is Rung.FROST_ONLY


def test_the_thermostat_holds_the_zone_that_is_cold() -> None:
    """Of two running sessions the cold one gets the heat."""
    warm, cold = replace(RUNNING, zone="loft", id="w"), RUNNING
    found = wish(
        outlook(
            plan=None,
            sessions=(warm, cold),
            parameter_sets={},
            estimates={"bay": estimate(12.0), "loft": estimate(22.0, "loft")},
        )
    )
    assert (found.heat, found.session) == (True, cold.id)


# --- what is aimed at ---------------------------------------------------------------------------


def test_aims_at_the_warmest_that_runs_then_at_the_next() -> None:
    """Overlapping bookings: the warmer wins; with none running, the next to come."""
    mild = make_session(START_S, target_c=16.0, session_id="mild")
    warm = make_session(START_S + HOUR_S, target_c=20.0, session_id="warm")
    later = make_session(START_S + 9 * HOUR_S, session_id="later")
    booked = (mild, warm, later)
    aims = [aimed_at(booked, START_S + hours * HOUR_S) for hours in (-1, 0, 1, 4.5, 5, 9, 13)]
    assert [a.id if a else None for a in aims] == [
        "mild", "mild", "warm", "warm", "later", "later", None,
    ]  # fmt: skip
