"""Frost protection: when it asks for heat, how long, and how little of it while it is blind."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.interlocks import frost_protection
from controller.records.limits import Limits
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import HOUR_S, MILD, Script, air, lost, outdoor, sensed, slab

HEAT, NONE, SPENT = Severity.FROST, Severity.ALLOW, Severity.OFF

BLIND = (lost(Role.SLAB), lost(Role.AIR), outdoor(-8.0))
"""Nothing is known of the room, and it freezes outdoors."""
FULL = {"minute_s": 0.0}
"""An hour's budget of which nothing is spent."""
UNSEEN = {**FULL, "unseen_s": 600.0}
"""The same, and the room has been unknown for as long as a reading may be old."""


def back(value: float, **changes: Any) -> Sensed:
    return sensed(Role.RETURN, value, subject="bay-loop", **changes)


def seconds_of_heat(script: Script, seconds: float, *readings: Sensed, **changes: Any) -> float:
    """Play ticks of 10 s, and add up those that end with heat."""
    ticks = range(round(seconds / 10.0))
    return 10.0 * sum(script.tick(*readings, **changes).severity is HEAT for _ in ticks)


def spent_s(script: Script) -> float:
    return sum(value for key, value in script.memory.items() if key.startswith("spent_"))


def most_in_an_hour(heats: list[bool]) -> float:
    """The most heat in any hour of ticks of 10 s [s]."""
    return max(10.0 * sum(heats[at : at + 360]) for at in range(max(1, len(heats) - 359)))


# --- with a slab reading ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("readings", "severity"),
    [
        (MILD, NONE),
        ((slab(5.0), air(5.0)), NONE),  # 5 °C is not below 5 °C
        ((slab(4.9), air(14.0)), HEAT),
        ((slab(16.0), air(14.0), back(4.9)), HEAT),
        ((slab(16.0), air(14.0), back(4.9, condition=Condition.STALE)), NONE),
        # weather alone freezes nothing while slab and air are known
        ((slab(16.0), air(14.0), outdoor(-20.0)), NONE),
        # the coldest of two sensors that disagree
        ((slab(16.0), slab(3.0, sensor="second"), air(14.0)), HEAT),
    ],
)
def test_begins_below_five_degrees(readings: tuple[Sensed, ...], severity: Severity) -> None:
    """Slab or return below 5 °C asks for heat at once; 5 °C itself does not."""
    assert Script(frost_protection, FULL).tick(*readings).severity is severity


def test_ends_at_seven_degrees() -> None:
    """It heats on from 5 to 7 °C, ends at 7 °C, and does not begin again above 5 °C."""
    script = Script(frost_protection, FULL)
    temperatures = [4.9, 5.1, 6.0, 6.9, 7.0, 6.9, 5.0, 4.9]
    verdicts = [script.tick(slab(c), air(12.0)).severity for c in temperatures]
    assert verdicts == [HEAT, HEAT, HEAT, HEAT, NONE, NONE, NONE, HEAT]


def test_ends_only_when_everything_is_warm() -> None:
    """The slab at 7 °C does not end it while the air is colder."""
    script = Script(frost_protection, FULL)
    script.tick(slab(4.0), air(4.0))
    assert script.tick(slab(9.0), air(6.9)).severity is HEAT
    assert script.tick(slab(9.0), air(7.0)).severity is NONE


def test_an_open_door_is_no_frost() -> None:
    """Cold air over a warm slab is waited out for half an hour, and then believed."""
    script = Script(frost_protection, FULL)
    assert script.run(1790.0, slab(16.0), air(-2.0)).severity is NONE
    assert script.tick(slab(16.0), air(-2.0)).severity is HEAT


def test_a_shut_door_starts_the_patience_anew() -> None:
    """Twenty minutes of open door, again and again, never add up to frost."""
    script = Script(frost_protection, FULL)
    for _ in range(5):
        assert script.run(1200.0, slab(16.0), air(-2.0)).severity is NONE
        script.tick(slab(16.0), air(5.0))


def test_a_restart_does_not_start_the_patience_anew() -> None:
    """Crash loops do not make cold air wait for ever."""
    script = Script(frost_protection, FULL)
    for _ in range(3):
        script.restart(slab(16.0), air(-2.0))
        verdict = script.run(600.0, slab(16.0), air(-2.0))
    assert verdict.severity is HEAT


def test_heats_on_after_a_restart() -> None:
    """A process killed between 5 and 7 °C is followed by one that heats on."""
    script = Script(frost_protection, FULL)
    script.tick(slab(4.0), air(8.0))
    assert script.restart(slab(6.0), air(8.0)).severity is HEAT


def test_tightened_limits_count() -> None:
    """The limits file may begin earlier and end later."""
    limits = Limits(frost_on_c=8.0, frost_off_c=10.0)
    script = Script(frost_protection, FULL)
    temperatures = [7.9, 9.9, 10.0]
    verdicts = [script.tick(slab(c), air(12.0), limits=limits).severity for c in temperatures]
    assert verdicts == [HEAT, HEAT, NONE]


def test_a_slab_sensor_that_failed_cold_heats_on_the_budget_only() -> None:
    """No slab near freezing lies under a warm room: such a sensor must not heat without bound."""
    script = Script(frost_protection, FULL)
    assert seconds_of_heat(script, HOUR_S, slab(3.0), air(16.0)) <= 900.0
    assert Script(frost_protection, FULL).tick(slab(3.0), air(14.9)).reason == "cold"


def test_an_air_sensor_that_failed_cold_stops_asking() -> None:
    """Cold air heats a slab to 25 °C and no further: it must not end in the hard limit."""
    script = Script(frost_protection, FULL)
    assert script.run(HOUR_S, slab(24.9), air(3.0)).severity is HEAT
    assert script.tick(slab(25.0), air(3.0)).severity is NONE
    assert script.tick(slab(24.9), air(3.0)).severity is not HEAT, "patience begins anew"


def test_sighted_heat_is_not_rationed() -> None:
    """With a slab reading a cold slab is heated for as long as it takes."""
    script = Script(frost_protection, FULL)
    assert seconds_of_heat(script, 3 * HOUR_S, slab(4.0), air(4.0)) == 3 * HOUR_S


# --- blind: without a trustworthy slab reading --------------------------------------------------


@pytest.mark.parametrize("condition", [c for c in Condition if c is not Condition.FRESH])
def test_a_slab_that_cannot_be_trusted_makes_it_blind(condition: Condition) -> None:
    """Whatever is wrong with the slab reading, cold air then asks at once, on the budget."""
    verdict = Script(frost_protection, FULL).tick(slab(30.0, condition=condition), air(4.0))
    assert (verdict.severity, verdict.reason) == (HEAT, "blind")


def test_warm_air_alone_is_enough_to_know() -> None:
    """A lost slab sensor in a warm room is no frost."""
    script = Script(frost_protection, FULL)
    assert script.run(2 * HOUR_S, lost(Role.SLAB), air(14.0)).severity is NONE


@pytest.mark.parametrize(
    ("outdoors", "severity"),
    [
        ((outdoor(6.9),), HEAT),
        ((outdoor(7.0),), NONE),
        ((outdoor(25.0),), NONE),
        ((lost(Role.OUTDOOR, "outdoor"),), HEAT),  # July or January: nobody knows
        ((), HEAT),
    ],
)
def test_an_unseen_room_goes_by_the_weather(
    outdoors: tuple[Sensed, ...], severity: Severity
) -> None:
    """With slab and air unknown, only known warm weather rules frost out."""
    script = Script(frost_protection, UNSEEN)
    assert script.tick(lost(Role.SLAB), lost(Role.AIR), *outdoors).severity is severity


def test_a_warm_boiler_room_says_nothing_of_an_unseen_room() -> None:
    """The return, at rest beside the boiler, cannot stand for slab and air."""
    assert Script(frost_protection, UNSEEN).tick(*BLIND, back(21.0)).severity is HEAT


def test_one_unseen_room_is_enough() -> None:
    """A room that is known to be warm says nothing about another on the same heater."""
    readings = (slab(), air(), lost(Role.SLAB, "loft"), lost(Role.AIR, "loft"), outdoor(-8.0))
    verdict = Script(frost_protection, UNSEEN).tick(*readings, zones=("bay", "loft"))
    assert (verdict.severity, verdict.reason) == (HEAT, "blind")


def test_a_start_is_not_blindness() -> None:
    """Readings on their way in the first minutes are no reason to switch a boiler on in July."""
    script = Script(frost_protection, FULL)
    nothing = (
        lost(Role.SLAB, condition=Condition.MISSING),
        lost(Role.AIR, condition=Condition.MISSING),
        lost(Role.OUTDOOR, "outdoor", condition=Condition.MISSING),
    )
    assert script.restart(*nothing).severity is NONE
    assert script.run(590.0, *nothing).severity is NONE
    assert script.tick(*nothing).severity is HEAT


def test_crash_loops_do_not_keep_it_from_seeing_that_it_is_blind() -> None:
    """A service that dies every three minutes still comes to frost protection."""
    script = Script(frost_protection, FULL)
    severities = []
    for _ in range(4):
        severities.append(script.restart(*BLIND).severity)
        severities.append(script.run(180.0, *BLIND).severity)
    assert severities[-1] is HEAT
    assert severities[:4] == [NONE] * 4


def test_heat_goes_on_when_the_last_sensor_is_lost_in_the_cold() -> None:
    """What was cold when last seen counts as cold, at bounded duty, from then on."""
    script = Script(frost_protection, FULL)
    script.tick(slab(4.0), air(4.0))
    verdict = script.tick(lost(Role.SLAB), lost(Role.AIR), lost(Role.OUTDOOR, "outdoor"))
    assert (verdict.severity, verdict.reason) == (HEAT, "blind")


def test_a_quarter_of_each_hour() -> None:
    """Blind heat is 15 min on, then off until that is an hour old, hour after hour."""
    script = Script(frost_protection, UNSEEN)
    for _ in range(5):
        assert seconds_of_heat(script, HOUR_S, *BLIND) == 900.0


def test_no_hour_holds_more_than_its_duty() -> None:
    """However late in a quiet hour blindness begins, no span of an hour has more than 15 min."""
    script = Script(frost_protection, UNSEEN)
    script.run(2700.0, *MILD)
    script.memory = {**script.memory, "unseen_s": 600.0}
    heats = [script.tick(*BLIND).severity is HEAT for _ in range(3 * 360)]
    spans = [10.0 * sum(heats[begin : begin + 360]) for begin in range(len(heats) - 360)]
    assert max(spans) == 900.0


def test_spent_heat_says_so() -> None:
    """When the duty is spent the verdict withholds heat, planned heat too."""
    verdict = Script(frost_protection, {**UNSEEN, "spent_00": 900.0}).tick(*BLIND)
    assert (verdict.severity, verdict.reason) == (SPENT, "blind_spent")
    assert verdict.values == {"duty_s": 900.0, "spent_s": 900.0}


@pytest.mark.parametrize(
    "unreadable",
    [
        {},
        {"spent_03": 0.0},
        {"window_s": 0.0, "spent_s": 0.0},  # as an earlier version kept it
        {"minute_s": 0.0, "spent_03": float("nan")},
        {"minute_s": float("nan"), "spent_03": 0.0},
        {"minute_s": float("inf")},
        {"minute_s": 0.0, "spent_03": -1e9},
        {"minute_s": -1e9},
    ],
)
def test_an_unreadable_budget_counts_as_spent_for_an_hour(unreadable: dict[str, float]) -> None:
    """What cannot be read was spent: no blind heat for one hour, then the usual duty."""
    script = Script(frost_protection, {**unreadable, "unseen_s": 600.0})
    assert script.restart(*BLIND).severity is SPENT
    assert script.run(3590.0, *BLIND).severity is SPENT
    assert script.tick(*BLIND).severity is HEAT


def test_an_unreadable_budget_does_not_hold_back_sighted_heat() -> None:
    """A cold slab that is seen to be cold is heated whatever the store has lost."""
    assert Script(frost_protection).restart(slab(4.0), air(4.0)).severity is HEAT


@pytest.mark.parametrize("lives_s", [10.0, 30.0, 120.0, 300.0])
def test_crash_loops_do_not_refill_the_budget(lives_s: float) -> None:
    """A service that dies again and again spends no more than the duty of the time it lived.

    A killed process leaves the relay on for up to a lease, which is charged at the next start.
    """
    script = Script(frost_protection, UNSEEN)
    heated_s = lived_s = 0.0
    while lived_s < 2 * HOUR_S:
        last = script.restart(*BLIND).severity
        for _ in range(round(lives_s / 10.0)):
            heated_s += 10.0 * (last is HEAT)
            last = script.tick(*BLIND).severity
        lived_s += lives_s
        heated_s += 120.0 * (last is HEAT)  # the lease of the last ON
    assert heated_s <= 2 * 900.0


@pytest.mark.parametrize("life_s", [5.0, 15.0, 25.0, 55.0])
def test_crash_loops_do_not_starve_it(life_s: float) -> None:
    """A service that dies before its second row still gives about the duty, and no more.

    Both clocks tell how long ago the last stored tick was, so that no time is lost.
    """
    script = Script(frost_protection, UNSEEN)
    heats: list[bool] = []
    script.restart(*BLIND)
    for _ in range(round(3 * HOUR_S / life_s)):
        stored = script.memory  # only the first tick of a life has a row
        verdict = script.restart(*BLIND, gap_s=life_s)
        stored = script.memory
        for _ in range(int(life_s // 10.0)):
            script.tick(*BLIND)
        script.memory = stored
        heats += [verdict.severity is HEAT] * round(life_s)
    most = max(sum(heats[at : at + 3600]) for at in range(0, len(heats) - 3599, 5))
    assert most <= 900.0 + 120.0, "a lease may be left over at the end of a life"
    assert sum(heats) >= 3 * 700.0


def test_a_long_stop_is_no_blindness() -> None:
    """After a day's stop readings are on their way again: nothing has been unseen for a day."""
    script = Script(frost_protection, {**FULL, "unseen_s": 20.0})
    assert script.restart(*BLIND, gap_s=86_400.0).severity is NONE
    assert script.restart(*BLIND, gap_s=86_400.0).severity is NONE


def test_an_hour_of_known_time_refills_the_budget_over_a_stop() -> None:
    """Time that both clocks vouch for counts; time that they do not, does not."""
    spent = {**UNSEEN, "spent_00": 900.0}
    assert Script(frost_protection, spent).restart(*BLIND).severity is SPENT
    assert Script(frost_protection, spent).restart(*BLIND, gap_s=3600.0).severity is SPENT
    assert Script(frost_protection, spent).restart(*BLIND, gap_s=3660.0).severity is HEAT


@settings(deadline=None, max_examples=30)
@given(st.lists(st.tuples(st.booleans(), st.integers(1, 40)), min_size=1, max_size=60))
def test_a_flapping_sensor_never_gets_more_than_the_duty(flaps: list[tuple[bool, int]]) -> None:
    """However a slab sensor comes and goes, no hour holds more blind heat than the duty.

    Heat that the minimum on time keeps going while the sensor is back counts as blind, too.
    """
    script, heats = Script(frost_protection, FULL), []
    heating = False
    for blind, ticks in flaps:
        readings = (lost(Role.SLAB), air(4.0)) if blind else (slab(9.0), air(9.0))
        for _ in range(ticks):
            said = script.tick(*readings, heating=heating, heat_wanted=False).severity
            heating = said is HEAT or (heating and said is NONE)  # NONE: the minimum on time holds
            heats.append(heating)
    assert most_in_an_hour(heats) <= 900.0


def test_a_hung_tick_is_charged_with_its_time() -> None:
    """Blind heat is counted in time, not in ticks."""
    script = Script(frost_protection, UNSEEN)
    script.tick(*BLIND)
    script.tick(*BLIND, elapsed_s=29.0)
    assert spent_s(script) == 29.0


def test_time_without_blind_heat_is_not_charged() -> None:
    """Sighted heat leaves the blind budget alone."""
    script = Script(frost_protection, FULL)
    script.run(HOUR_S, slab(4.0), air(4.0))
    assert spent_s(script) == 0.0


def test_a_slab_reading_that_comes_back_ends_blindness() -> None:
    """A warm slab ends it at once; a cold one goes on without a ration."""
    script = Script(frost_protection, {**UNSEEN, "spent_00": 900.0})
    script.tick(*BLIND)
    assert script.tick(slab(6.0), air(6.0)).severity is HEAT
    assert script.tick(slab(7.5), air(7.5)).severity is NONE


def test_a_flickering_slab_sensor_does_not_refill_the_budget() -> None:
    """A sensor that comes and goes neither refills the hour nor starts it anew."""
    script = Script(frost_protection, UNSEEN)
    blind_s = 0.0
    for _ in range(180):
        blind_s += 10.0 * (script.tick(lost(Role.SLAB), air(4.0)).reason == "blind")
        script.tick(slab(6.0), air(6.5))
    assert blind_s <= 900.0


def test_tightened_duty_counts() -> None:
    """The limits file may allow less blind heat."""
    script = Script(frost_protection, UNSEEN)
    assert seconds_of_heat(script, HOUR_S, *BLIND, limits=Limits(blind_duty_s=300.0)) == 300.0


def test_a_slab_that_stays_warm_under_a_freezing_room_is_doubted() -> None:
    """A probe stuck at 26 °C: after four hours frost protection heats blind, not without bound."""
    script = Script(frost_protection)
    readings = (slab(26.0), air(-5.0), outdoor(-15.0))
    assert script.run(4 * 3600.0 - 20.0, *readings).severity is Severity.ALLOW
    assert script.run(30.0, *readings).reason == "blind"
    assert script.tick(slab(26.0), air(6.0), outdoor(-15.0)).reason != "cold"


def test_when_it_is_mild_outdoors_a_cold_air_sensor_alone_heats_nothing() -> None:
    """An air sensor that has failed cold over a warm slab, in spring."""
    verdict = Script(frost_protection).run(12 * 3600.0, slab(26.0), air(-5.0), outdoor(9.0))
    assert verdict.severity is Severity.ALLOW
