"""What frost protection counts, second by second: patience, doubt, blindness and the blind duty."""

from __future__ import annotations

from typing import Any

import pytest

from controller.interlocks import frost_protection
from controller.interlocks.frost_protection import withheld
from controller.records.readings import Condition, Sensed
from controller.records.safety import Memory, Severity
from controller.records.site import Role
from tests.controller.builders import HOUR_S, MILD, Script, air, lost, outdoor, sensed, slab

HEAT, NONE, SPENT = Severity.FROST, Severity.ALLOW, Severity.OFF
FULL = {"minute_s": 0.0}
FREEZING = outdoor(-8.0)
COLD_RETURN = sensed(Role.RETURN, 2.0, subject="bay-loop")
BLIND = (lost(Role.SLAB), lost(Role.AIR), FREEZING)
CLOCKS = ("cold_air_s", "unseen_s", "unlikely_s")


def clocks(script: Script) -> dict[str, float]:
    return {name: script.memory[name] for name in CLOCKS}


@pytest.mark.parametrize(
    ("readings", "running"),
    [
        ((slab(16.0), air(4.0)), "cold_air_s"),
        ((lost(Role.SLAB), lost(Role.AIR)), "unseen_s"),
        ((slab(30.0), air(4.0), FREEZING), "unlikely_s"),
        ((slab(25.0), air(4.0), FREEZING), "unlikely_s"),
        ((slab(25.0), air(20.0), COLD_RETURN, FREEZING), "unlikely_s"),
        ((slab(30.0), air(20.0), COLD_RETURN, FREEZING), "unlikely_s"),
    ],
)
def test_each_clock_runs_alone_and_from_nothing(readings: tuple[Sensed, ...], running: str) -> None:
    """By the time between two ticks; over a quick restart by the pause; not over a long one."""
    script = Script(frost_protection, FULL)
    none = dict.fromkeys(CLOCKS, 0.0)
    script.tick(*readings)
    assert clocks(script) == {**none, running: 10.0}
    script.restart(*readings)
    assert clocks(script) == {**none, running: 10.0}
    script.restart(*readings, gap_s=60.0)
    assert clocks(script) == {**none, running: 70.0}
    script.restart(*readings, gap_s=120.0)
    assert clocks(script) == {**none, running: 190.0}
    script.restart(*readings, gap_s=120.1)
    assert clocks(script) == {**none, running: 190.0}
    script.tick(*MILD)
    assert clocks(script) == none


@pytest.mark.parametrize(
    "readings",
    [
        (slab(30.0), air(20.0), FREEZING),
        (slab(30.0), air(20.0), sensed(Role.RETURN, 28.0, subject="bay-loop"), FREEZING),
        (slab(30.0), air(5.0), FREEZING),
        (slab(24.9), air(4.0), FREEZING),
        (slab(24.9), air(20.0), COLD_RETURN, FREEZING),
        (slab(30.0), air(4.0), outdoor(7.0)),
        (slab(30.0), air(20.0), sensed(Role.RETURN, 5.0, subject="bay-loop"), FREEZING),
        (
            slab(30.0),
            air(20.0),
            sensed(Role.RETURN, 2.0, subject="bay-loop", condition=Condition.STALE),
            FREEZING,
        ),
        (lost(Role.SLAB), air(4.0), FREEZING),
    ],
)
def test_what_is_not_unlikely(readings: tuple[Sensed, ...]) -> None:
    """A warm slab under a warm room, a cool one under a cold room, what mild weather excuses."""
    script = Script(frost_protection, FULL)
    script.tick(*readings)
    assert script.memory["unlikely_s"] == 0.0


@pytest.mark.parametrize(
    ("memory", "readings", "short_s", "reason"),
    [
        ({"cold_air_s": 1790.0}, (slab(16.0), air(4.0)), 9.9, "cold"),
        ({"unlikely_s": 14_390.0}, (slab(30.0), air(4.0), FREEZING), 9.9, "blind"),
        ({"unseen_s": 590.0}, BLIND, 9.9, "blind"),
    ],
)
def test_how_long_it_waits(
    memory: Memory, readings: tuple[Sensed, ...], short_s: float, reason: str
) -> None:
    """Half an hour for a door, four hours for a slab, a reading's longest age for blindness."""
    soon = Script(frost_protection, {**FULL, **memory}).tick(*readings, elapsed_s=short_s)
    assert soon.severity is NONE
    for late_s in (10.0, 25.0):
        due = Script(frost_protection, {**FULL, **memory}).tick(*readings, elapsed_s=late_s)
        assert (due.severity, due.reason) == (HEAT, reason)


def test_a_room_of_15_degrees_makes_a_freezing_slab_unlikely() -> None:
    """From there on the heat is blind."""
    assert Script(frost_protection, FULL).tick(slab(3.0), air(15.0)).reason == "blind"
    assert Script(frost_protection, FULL).tick(slab(3.0), air(14.9)).reason == "cold"
    assert Script(frost_protection, FULL).tick(slab(5.0), air(15.0)).severity is NONE


@pytest.mark.parametrize("slab_c", [5.0, 9.0])
def test_a_slab_that_is_not_near_freezing_is_believed_under_a_warm_room(slab_c: float) -> None:
    """What a cold return asks for is not rationed then."""
    readings = (slab(slab_c), air(15.0), COLD_RETURN)
    assert Script(frost_protection, FULL).tick(*readings).reason == "cold"


@pytest.mark.parametrize(
    ("air_c", "reason"), [(4.9, "blind"), (5.0, "clear"), (9.0, "clear"), (14.0, "clear")]
)
def test_the_air_over_a_lost_slab(air_c: float, reason: str) -> None:
    """Asks at once below 5 °C, and not at any other tick either."""
    script = Script(frost_protection, FULL)
    reasons = {script.tick(lost(Role.SLAB), air(air_c)).reason for _ in range(5)}
    assert reasons == {reason}


def test_the_coldest_that_asks_is_told() -> None:
    """A return that has asked goes on asking up to 25 °C in the slab."""
    script = Script(frost_protection, FULL)
    script.tick(slab(22.9), air(20.0), COLD_RETURN)
    verdict = script.tick(slab(24.0), air(20.0), COLD_RETURN)
    assert (verdict.severity, (verdict.values or {})["coldest_c"]) == (HEAT, 2.0)


def test_a_cold_return_asks_again_two_kelvin_lower() -> None:
    """At 23 °C in the slab it does not yet."""
    script = Script(frost_protection, FULL)
    assert script.tick(slab(23.0), air(20.0), COLD_RETURN).severity is NONE
    assert script.tick(slab(22.9), air(20.0), COLD_RETURN).severity is HEAT


# --- the blind duty -----------------------------------------------------------------------------


def account(script: Script) -> Memory:
    return {k: v for k, v in script.memory.items() if k == "minute_s" or k.startswith("spent_")}


def test_heat_that_was_given_is_charged_and_what_was_not_is_not() -> None:
    """``withheld`` takes back what was asked for, and nothing else."""
    script = Script(frost_protection, {**FULL, "unseen_s": 600.0})
    script.tick(*BLIND)
    asked = script.memory
    assert withheld(asked) == {**asked, "asking": 0.0}
    assert withheld(withheld(asked)) == withheld(asked)
    script.tick(*BLIND)
    assert account(script) == {"minute_s": 20.0, "spent_00": 10.0}
    script.memory = withheld(script.memory)
    script.tick(*BLIND)
    assert account(script) == {"minute_s": 30.0, "spent_00": 10.0}


@pytest.mark.parametrize(
    ("asking", "changes", "kept"),
    [
        (1.0, {"heating": True, "heat_wanted": False}, 1.0),
        (1.0, {"heating": True, "heat_wanted": True}, 0.0),
        (1.0, {"heating": False, "heat_wanted": False}, 0.0),
        (0.0, {"heating": True, "heat_wanted": False}, 0.0),
    ],
)
def test_only_heat_that_the_minimum_on_time_keeps_is_still_blind(
    asking: float, changes: dict[str, bool], kept: float
) -> None:
    """What a plan asks for, and what is off, is none of the duty's."""
    script = Script(frost_protection, {**FULL, "asking": asking})
    assert script.tick(*MILD, **changes).severity is NONE
    assert script.memory["asking"] == kept


@pytest.mark.parametrize(("gap_s", "charged_s"), [(None, 190.0), (60.0, 60.0), (1000.0, 190.0)])
def test_a_killed_process_is_charged_with_lease_and_row(
    gap_s: float | None, charged_s: float
) -> None:
    """The relay may have held its ON for the 120 s of a lease, some 70 s after the last row."""
    script = Script(frost_protection, {**FULL, "asking": 1.0})
    script.restart(*MILD, gap_s=gap_s)
    assert script.memory["spent_00"] == charged_s


@pytest.mark.parametrize(
    ("changes", "charged"),
    [
        ({"relay_reachable": True, "heating": False, "command_age_s": 3600.0}, True),
        ({"relay_reachable": False, "heating": True, "command_age_s": 3600.0}, True),
        ({"relay_reachable": False, "heating": False, "command_age_s": 30.0}, True),
        ({"relay_reachable": False, "heating": False, "command_age_s": 120.0}, True),
        ({"relay_reachable": False, "heating": False, "command_age_s": 120.1}, False),
    ],
)
def test_heat_that_may_have_come_is_charged(changes: dict[str, Any], charged: bool) -> None:
    """It could be sent, or the last ON may still have held at the relay."""
    script = Script(frost_protection, {**FULL, "asking": 1.0})
    script.tick(*MILD, relay_holds_s=120.0, **changes)
    assert script.memory.get("spent_00", 0.0) == (10.0 if charged else 0.0)


@pytest.mark.parametrize("minute_s", [0.0, 5.0, 59.5])
def test_a_pause_that_nobody_can_vouch_for_moves_no_minute(minute_s: float) -> None:
    """Nor does the tick after a start that took no time."""
    script = Script(frost_protection, {"minute_s": minute_s, "spent_07": 0.5})
    script.restart(*MILD)
    assert account(script) == {"minute_s": minute_s, "spent_07": 0.5}


@pytest.mark.parametrize(
    ("minute_s", "spent_s", "readable"),
    [
        (0.5, 0.5, True),
        (-0.5, 0.5, False),
        (0.5, -0.5, False),
        (59.9, 0.0, True),
        (float("inf"), 0.5, False),
        (0.5, float("inf"), False),
    ],
)
def test_what_of_an_account_can_be_read(minute_s: float, spent_s: float, readable: bool) -> None:
    """No time is negative; an account that has such is spent, from this second on."""
    script = Script(
        frost_protection, {"minute_s": minute_s, "spent_03": spent_s, "unseen_s": 600.0}
    )
    assert script.restart(*BLIND).severity is (HEAT if readable else SPENT)
    if not readable:
        assert account(script) == {"minute_s": 0.0, "spent_01": 900.0}


def test_minutes_that_pass_together_are_forgotten_together() -> None:
    """A tick that was held up for two minutes keeps no heat of an hour ago."""
    script = Script(frost_protection, {"minute_s": 0.0, "spent_60": 30.0, "spent_59": 20.0})
    script.tick(*MILD, elapsed_s=120.0)
    assert account(script) == {"minute_s": 0.0}


def test_a_minute_is_forgotten_when_all_of_it_is_an_hour_old() -> None:
    """Not a second sooner, and never later."""
    script = Script(frost_protection, {"minute_s": 50.0, "spent_00": 30.0})
    script.tick(*MILD, elapsed_s=9.9)
    assert script.memory["spent_00"] == 30.0
    script.tick(*MILD, elapsed_s=0.1)
    assert script.memory["spent_01"] == 30.0
    script.tick(*MILD, elapsed_s=HOUR_S - 0.1)
    assert script.memory["spent_60"] == 30.0
    script.tick(*MILD, elapsed_s=0.1)
    assert set(account(script)) == {"minute_s"}
