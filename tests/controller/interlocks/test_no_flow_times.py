"""What is counted while heat is asked for, to the second, and what is remembered of it."""

from __future__ import annotations

from typing import Any

import pytest

from controller.interlocks import no_flow_or_no_heat
from controller.records.readings import Condition, Sensed
from controller.records.safety import Memory, Severity, Verdict
from controller.records.site import Role
from tests.controller.builders import MILD, RATING_W, Script, sensed, view

DEAD_S = view().loop_facts["bay-loop"].dead_time_s
LATE = {"on_s": 1000.0}
"""Heat has been asked for well beyond the loop's dead time."""
METERED = {**LATE, "meter": 1.0}


def supply(celsius: float, **changes: Any) -> Sensed:
    return sensed(Role.SUPPLY, celsius, **{"subject": "bay-loop", **changes})


def back(celsius: float, **changes: Any) -> Sensed:
    return sensed(Role.RETURN, celsius, **{"subject": "bay-loop", **changes})


def power(watts: float, **changes: Any) -> Sensed:
    return sensed(Role.POWER, watts, subject="boiler", **changes)


GAUGE = sensed(Role.PRESSURE, 1.5, subject="bay-loop")
NOTHING = (*MILD, GAUGE, supply(20.0), back(19.5), power(45.0))
DRY = (*MILD, GAUGE, supply(20.0), back(19.5), power(0.1 * RATING_W))
UNSEEN = (*MILD, GAUGE, supply(30.0), back(24.0), power(0.0))
HEATS = (*MILD, GAUGE, supply(35.0), back(29.0), power(RATING_W))


def after(memory: Memory, *readings: Sensed, **changes: Any) -> tuple[Verdict, Memory]:
    """One tick from a given memory: what was said, and what is remembered."""
    script = Script(no_flow_or_no_heat, memory)
    verdict = script.tick(*readings, **{"heating": True, **changes})
    return verdict, script.memory


# --- waiting ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("on_s", "waited_s"), [(DEAD_S - 10.0, 0.0), (DEAD_S - 9.9, 10.0), (DEAD_S + 50.0, 10.0)]
)
def test_time_counts_once_the_dead_time_is_over(on_s: float, waited_s: float) -> None:
    """What left the boiler must have had the time to come back."""
    _, memory = after({"on_s": on_s}, *NOTHING)
    assert memory["waited_s"] == waited_s
    assert memory["on_s"] == on_s + 10.0


def test_it_counts_from_nothing() -> None:
    """The first tick of heat is ten seconds of it."""
    _, memory = after({}, *HEATS)
    assert memory == {
        "on_s": 10.0, "waited_s": 0.0, "drew": 1.0, "unmetered_s": 0.0, "came_s": 10.0,
        "tries": 0.0, "meter": 1.0, "cut_off": 0.0, "not_shown": 0.0,
    }  # fmt: skip


def test_a_meter_is_not_doubted_from_the_start() -> None:
    """Nothing has been seen without power yet."""
    assert after({}, *UNSEEN)[1]["unmetered_s"] == 0.0


def test_a_pause_forgets_the_run_and_keeps_what_was_learnt() -> None:
    """Attempts, the meter, a cut-off, and time in which something came."""
    run = {"on_s": 1.0, "waited_s": 2.0, "drew": 1.0, "unmetered_s": 3.0}
    learnt = {"tries": 1.0, "meter": 1.0, "cut_off": 1.0, "came_s": 4.0, "not_shown": 1.0}
    _, memory = after({**run, **learnt}, *NOTHING, heating=False)
    assert memory == {**dict.fromkeys(run, 0.0), **learnt}


@pytest.mark.parametrize(
    ("readings", "allowed_s"),
    [(NOTHING, 600.0), (tuple(s for s in NOTHING if s is not GAUGE), 300.0)],
)
def test_how_long_nothing_may_come(readings: tuple[Sensed, ...], allowed_s: float) -> None:
    """Ten minutes; five where no pressure is measured. It is told how long that was."""
    waited = {**LATE, "waited_s": allowed_s - 10.0}
    soon, _ = after(waited, *readings, elapsed_s=9.9)
    assert soon.severity is Severity.ALLOW
    for late_s in (10.0, 25.0):
        due, _ = after(waited, *readings, elapsed_s=late_s)
        assert due.severity is Severity.TRIP
        assert (due.values or {})["waited_s"] == allowed_s - 10.0 + late_s


@pytest.mark.parametrize(
    ("supplies_c", "returns_c", "supply_comes"),
    [
        ((21.0,), (20.0,), True),  # a drop of 1 K
        ((20.9,), (20.0,), False),
        ((45.0,), (45.0,), True),  # 3 K below the thermostat's 48 °C
        ((44.9,), (44.9,), False),
        # of two sensors in a place those that say the most
        ((20.0, 22.0), (21.0,), True),
        ((22.0,), (23.0, 21.0), True),
        ((20.0, 45.0), (45.0,), True),
        ((20.0, 20.5), (21.0, 20.0), False),
        ((20.0,), (25.0,), False),  # the return lies warmer
    ],
)
def test_what_comes(
    supplies_c: tuple[float, ...], returns_c: tuple[float, ...], supply_comes: bool
) -> None:
    """By temperature alone, where little power is drawn."""
    supplies = [supply(c, sensor=f"supply-{c}") for c in supplies_c]
    returns = [back(c, sensor=f"return-{c}") for c in returns_c]
    readings = (*MILD, GAUGE, *supplies, *returns, power(0.1 * RATING_W))
    _, memory = after({**LATE, "waited_s": 50.0}, *readings)
    assert memory["waited_s"] == (0.0 if supply_comes else 60.0)


@pytest.mark.parametrize(("share", "comes"), [(0.2, True), (0.199, False)])
def test_a_fifth_of_the_rating_is_heat(share: float, comes: bool) -> None:
    """Of the meter that shows the most; and it shows that the meter works."""
    readings = (*NOTHING[:-1], power(0.0), power(share * RATING_W, sensor="second"))
    _, memory = after({**LATE, "waited_s": 50.0, "not_shown": 1.0}, *readings)
    assert memory["waited_s"] == (40.0 if comes else 60.0)
    assert (memory["meter"], memory["not_shown"]) == ((1.0, 0.0) if comes else (0.0, 1.0))
    soon = {**LATE, "waited_s": 5.0}
    assert after(soon, *readings)[1]["waited_s"] == (0.0 if comes else 15.0)


# --- rest and attempts --------------------------------------------------------------------------


def test_a_rest_of_a_quarter_of_an_hour() -> None:
    """To the second, over a restart too; then everything begins anew."""
    rest = {"rest_s": 900.0, "waited_s": 610.0, "tries": 1.0}
    said, memory = after(rest, *NOTHING, elapsed_s=899.9)
    assert (said.severity, said.values) == (Severity.TRIP, {"waited_s": 610.0})
    assert memory["rest_s"] == pytest.approx(0.1)
    over, _ = after(rest, *NOTHING, elapsed_s=900.0, heating=False)
    assert over.severity is Severity.ALLOW
    assert after({"rest_s": 900.0}, *NOTHING)[0].values == {"waited_s": 600.0}


@pytest.mark.parametrize(
    ("gap_s", "rests"), [(None, True), (890.0, True), (900.0, False), (7200.0, False)]
)
def test_a_rest_goes_on_while_no_service_runs(gap_s: float | None, rests: bool) -> None:
    """Where both clocks tell how long that was: frost heat must not wait once more."""
    stopped = {"elapsed_s": 0.0, "gap_s": gap_s, "heating": False}
    said, _ = after({"rest_s": 900.0}, *NOTHING, **stopped)
    assert (said.severity is Severity.TRIP) is rests


def test_a_restart_alone_is_no_rest() -> None:
    """Where nobody knows how long it took."""
    stopped = {"elapsed_s": 0.0, "gap_s": None, "heating": False}
    assert after({"rest_s": 0.5}, *NOTHING, **stopped)[0].severity is Severity.TRIP


def test_what_is_remembered_of_an_attempt() -> None:
    """The first one counts; one without any power does not."""
    waited = {**METERED, "waited_s": 590.0}
    dry, memory = after(waited, *DRY)
    assert dry.reason == "nothing_comes"
    assert memory == {
        "meter": 1.0, "tries": 1.0, "cut_off": 0.0, "waited_s": 600.0, "rest_s": 900.0,
    }  # fmt: skip
    cut, memory = after(waited, *NOTHING)
    assert (cut.reason, cut.values) == ("no_power", {"waited_s": 600.0, "rest_s": 900.0})
    assert (memory["tries"], memory["cut_off"]) == (0.0, 1.0)
    locked, memory = after({**waited, "tries": 1.0}, *DRY)
    assert (locked.severity, memory) == (Severity.LOCKOUT, {"meter": 1.0})


@pytest.mark.parametrize(
    ("elapsed_s", "tries", "came_s"), [(9.9, 1.0, 599.9), (10.0, 0.0, 600.0), (25.0, 0.0, 600.0)]
)
def test_ten_minutes_of_heat_take_the_place_of_an_attempt(
    elapsed_s: float, tries: float, came_s: float
) -> None:
    """No more is counted than is needed."""
    _, memory = after({**LATE, "tries": 1.0, "came_s": 590.0}, *HEATS, elapsed_s=elapsed_s)
    assert memory["tries"] == tries
    assert memory["came_s"] == pytest.approx(came_s)


# --- the meter ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("elapsed_s", "believed"), [(9.9, True), (10.0, False), (25.0, False)])
def test_ten_minutes_of_heat_without_power_are_the_meters_fault(
    elapsed_s: float, believed: bool
) -> None:
    """It is told by the power below which it counts as none."""
    said, memory = after({**METERED, "unmetered_s": 590.0}, *UNSEEN, elapsed_s=elapsed_s)
    assert (memory["meter"], memory["not_shown"]) == ((1.0, 0.0) if believed else (0.0, 1.0))
    assert (said.reason == "power_not_shown") is not believed
    if not believed:
        assert said.values == {"least_w": 0.05 * RATING_W}


@pytest.mark.parametrize("on_s", [DEAD_S - 10.0, DEAD_S - 9.9])
def test_heat_without_power_counts_once_the_dead_time_is_over(on_s: float) -> None:
    """What the pipes have kept from before says nothing of the meter."""
    _, memory = after({"on_s": on_s, "unmetered_s": 5.0}, *UNSEEN)
    assert memory["unmetered_s"] == (5.0 if on_s + 10.0 <= DEAD_S else 15.0)


@pytest.mark.parametrize(
    ("watts", "age_s", "drew"),
    [
        (0.05 * RATING_W, 5.0, 1.0),
        (0.049 * RATING_W, 5.0, 0.0),
        (RATING_W, 9.9, 1.0),
        (RATING_W, 10.0, 0.0),  # from before the run
    ],
)
def test_power_of_this_run(watts: float, age_s: float, drew: float) -> None:
    """A twentieth of the rating, measured since heat was asked for."""
    readings = (*NOTHING[:-1], power(watts, age_s=age_s))
    assert after({}, *readings)[1]["drew"] == drew


@pytest.mark.parametrize(
    ("supplies_c", "returns_c", "doubted"),
    [
        ((23.0,), (20.0,), True),
        ((22.9,), (20.0,), False),
        ((20.0, 23.0), (21.0, 20.0), True),
        ((20.0,), (25.0,), False),
    ],
)
def test_a_meter_is_doubted_by_a_sure_drop_alone(
    supplies_c: tuple[float, ...], returns_c: tuple[float, ...], doubted: bool
) -> None:
    """Two pipe sensors may differ by a kelvin or two at rest."""
    supplies = [supply(c, sensor=f"supply-{c}") for c in supplies_c]
    returns = [back(c, sensor=f"return-{c}") for c in returns_c]
    _, memory = after({**METERED, "unmetered_s": 50.0}, *MILD, *supplies, *returns, power(0.0))
    assert memory["unmetered_s"] == (60.0 if doubted else 50.0)


def test_power_that_nobody_has_seen_may_have_been_drawn() -> None:
    """And what was drawn once in a run was drawn."""
    silent = (*NOTHING[:-1], power(0.0, condition=Condition.STALE))
    assert after(METERED, *silent)[1]["drew"] == 1.0
    assert after({**METERED, "drew": 1.0}, *NOTHING)[1]["drew"] == 1.0
    assert after({**METERED, "unmetered_s": 50.0, "drew": 1.0}, *UNSEEN)[1]["unmetered_s"] == 0.0


def test_two_loops_of_which_one_takes_heat_have_flow() -> None:
    """Whichever of them is looked at first."""
    loft = (supply(35.0, subject="loft-loop"), back(29.0, subject="loft-loop"))
    for readings in ((*NOTHING, *loft), (*MILD, GAUGE, *loft, *NOTHING[4:])):
        assert after({**LATE, "waited_s": 50.0}, *readings)[1]["waited_s"] == 0.0
        assert after({**LATE, "unmetered_s": 50.0}, *readings)[1]["unmetered_s"] == 60.0


@pytest.mark.parametrize("stale", ["supply", "return"])
def test_one_loop_of_which_nothing_is_known_leaves_it_unsaid(stale: str) -> None:
    """It may be the one that takes the heat."""
    condition = {True: Condition.STALE, False: Condition.FRESH}
    loft = (
        supply(20.0, subject="loft-loop", condition=condition[stale == "supply"]),
        back(19.5, subject="loft-loop", condition=condition[stale == "return"]),
    )
    said, memory = after({**LATE, "waited_s": 590.0}, *NOTHING, *loft)
    assert (said.reason, memory["waited_s"]) == ("unknown", 590.0)


@pytest.mark.parametrize("first_age_s", [600.0, 605.0])
@pytest.mark.parametrize("old", ["supply", "return", "power"])
def test_readings_from_before_it_began_do_not_say_so(old: str, first_age_s: float) -> None:
    """Each of them must be newer than that, to the second."""
    ages = dict.fromkeys(("supply", "return", "power"), 5.0) | {old: first_age_s}
    readings = (
        *MILD,
        GAUGE,
        supply(20.0, age_s=ages["supply"]),
        back(19.5, age_s=ages["return"]),
        power(45.0, age_s=ages["power"]),
    )
    said, _ = after({**LATE, "waited_s": 590.0}, *readings)
    assert said.severity is Severity.ALLOW
