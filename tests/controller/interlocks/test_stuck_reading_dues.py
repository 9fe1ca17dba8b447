"""How much of what must have moved a sensor has come: by hand, tick by tick."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.interlocks import stuck_reading
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import RATING_W, Script, air, outdoor, sensed, slab, view

FACTS = view().zone_facts["bay"]
AREA_M2, SLAB_J_K = FACTS.area_m2, FACTS.slab_j_k
SECONDS = 60.0
STALE = Condition.STALE
ON = {"heating": True, "elapsed_s": SECONDS}


def power(watts: float, **changes: Any) -> Sensed:
    return sensed(Role.POWER, watts, subject="boiler", **changes)


def contact(value: float, **changes: Any) -> Sensed:
    return sensed(Role.RELAY_STATE, value, subject="boiler", **changes)


def supply(value: float, **changes: Any) -> Sensed:
    return sensed(Role.SUPPLY, value, subject="bay-loop", **changes)


def due(
    *readings: Sensed, before: float = 0.25, step_k: float = 0.1, of: int = 0, **changes: Any
) -> float:
    """What one of the readings is due after one tick in which it has not moved."""
    name, value = readings[of].sensor, readings[of].measured
    memory = {f"value:{name}": value, f"step:{name}": step_k, f"due:{name}": before}
    script = Script(stuck_reading, memory)
    script.tick(*readings, **{**ON, **changes})
    return script.memory[f"due:{name}"]


FULL = power(RATING_W)
FULL_DUE = RATING_W * SECONDS / (3.0 * SLAB_J_K)
"""What full heat adds to a slab's due in a tick, before losses."""


# --- slab ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slab_c", "airs_c", "outdoors_c", "loss_w_m2"),
    [
        # 8.92 (slab - air)^1.1 upwards, by EN 1264-2; 0.5 W/m2K to ground and edges
        (10.0, (10.0,), (10.0,), 0.0),
        (12.0, (10.0,), (12.0,), 8.92 * 2.0**1.1),
        (10.0, (14.0,), (2.0,), 0.5 * 8.0),
        (10.0, (14.0,), (15.0,), 0.0),
        (12.0, (11.0, 9.0), (4.0, 2.0), 8.92 * 3.0**1.1 + 0.5 * 10.0),
        # where nobody knows the weather it is as cold as may be
        (10.0, (10.0,), (), 0.5 * 30.0),
    ],
)
def test_surplus_heat(
    slab_c: float, airs_c: tuple[float, ...], outdoors_c: tuple[float, ...], loss_w_m2: float
) -> None:
    """What the heater gives less the most that the floor can give off, for 3 K of the slab."""
    airs = [air(value, sensor=f"air-{value}") for value in airs_c]
    outdoors = [outdoor(value, sensor=f"out-{value}") for value in outdoors_c]
    lost = loss_w_m2 * AREA_M2 * SECONDS / (3.0 * SLAB_J_K)
    readings = (slab(slab_c), *airs, *outdoors)
    assert due(*readings, FULL) == pytest.approx(0.25 + FULL_DUE - lost)
    assert due(*readings, FULL, heating=False) == pytest.approx(0.25 - lost)


AT_REST = (slab(10.0), air(10.0), outdoor(10.0))


def test_it_never_falls_below_nothing() -> None:
    """Losses are not saved up for later."""
    cooling = (slab(30.0), air(10.0), outdoor(10.0))
    assert due(*cooling, before=0.0, heating=False) == 0.0


@pytest.mark.parametrize(("step_k", "moves_k"), [(0.01, 3.0), (0.1, 3.0), (0.5, 3.8), (1.0, 4.8)])
def test_a_coarse_slab_sensor_is_given_two_steps_more(step_k: float, moves_k: float) -> None:
    """Beyond a tenth of a kelvin."""
    expected = 0.25 + FULL_DUE * 3.0 / moves_k
    assert due(*AT_REST, FULL, step_k=step_k) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("meters", "heat_w"),
    [
        ((), RATING_W),
        ((power(0.5 * RATING_W),), 0.5 * RATING_W),
        ((power(0.5 * RATING_W - 1.0),), 0.0),
        ((power(0.9 * RATING_W), power(0.7 * RATING_W, sensor="second")), 0.7 * RATING_W),
        ((power(RATING_W, condition=STALE),), 0.0),
        ((contact(1.0),), RATING_W),
        ((contact(0.0),), 0.0),
        ((contact(1.0, condition=STALE),), 0.0),
        ((contact(1.0), contact(0.0, sensor="second")), 0.0),
        # power tells more than a closed contact
        ((contact(0.0), power(RATING_W)), RATING_W),
    ],
)
def test_how_much_heat_is_known(meters: tuple[Sensed, ...], heat_w: float) -> None:
    """By the power that is drawn, by the contact, or where neither is fitted by the command."""
    assert due(*AT_REST, *meters) == pytest.approx(0.25 + FULL_DUE * heat_w / RATING_W)


def test_zones_share_the_heat_by_their_floors() -> None:
    """Of two that the heater serves; one that it does not serve takes none."""
    facts = {"bay": FACTS, "loft": replace(FACTS, area_m2=2.5 * AREA_M2)}
    both = due(*AT_REST, FULL, zone_facts=facts, zones=("bay", "loft"))
    assert both == pytest.approx(0.25 + FULL_DUE / 3.5)
    alone = due(*AT_REST, FULL, zone_facts=facts, zones=("bay",))
    assert alone == pytest.approx(0.25 + FULL_DUE)


@pytest.mark.parametrize(
    "changes", [{"zone_facts": {}}, {"shut": frozenset({"bay"})}, {"heating": False}]
)
def test_where_no_heat_is_known_to_go_in_nothing_comes_due(changes: dict[str, Any]) -> None:
    """Behind a shut valve, without heat, or in a floor of which nothing is known."""
    assert due(*AT_REST, FULL, **changes) == 0.25


def test_without_air_it_stands_still() -> None:
    """Nobody can say how much the floor gives off."""
    assert due(slab(10.0), outdoor(10.0), FULL) == 0.25


# --- air and pipes ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slabs_c", "step_k", "expected"),
    [
        ((12.0,), 0.1, 2.0 / 5.0),
        ((12.0, 13.0), 0.1, 2.0 / 5.0),
        ((9.0,), 0.1, 0.0),
        ((12.0,), 1.0, 2.0 / 8.6),
    ],
)
def test_air_over_a_slab_that_has_warmed(
    slabs_c: tuple[float, ...], step_k: float, expected: float
) -> None:
    """By 5 K and four steps, since the air moved last; the coldest slab sensor counts."""
    slabs = [slab(value, sensor=f"slab-{value}") for value in slabs_c]
    memory = {
        "value:bay-air": 8.0, "step:bay-air": step_k, "slab:bay-air": 10.0, "due:bay-air": 0.25,
    }  # fmt: skip
    script = Script(stuck_reading, memory)
    script.tick(air(8.0), *slabs, **ON)
    assert script.memory["due:bay-air"] == pytest.approx(expected)


def test_air_is_held_against_the_warmest_slab_of_when_it_moved() -> None:
    """Where it moves again, that is taken anew."""
    script = Script(stuck_reading, {"value:bay-air": 8.0, "slab:bay-air": 3.0})
    script.tick(air(8.1), slab(10.0), slab(11.0, sensor="second"), **ON)
    assert script.memory["slab:bay-air"] == 11.0


@pytest.mark.parametrize("readings", [(air(8.0),), (air(8.0), slab(12.0, condition=STALE))])
def test_air_without_a_slab_stands_still(readings: tuple[Sensed, ...]) -> None:
    """Nor does it where nobody knows what the slab was."""
    assert due(*readings) == 0.25
    assert due(air(8.0), slab(12.0)) == 0.25


@pytest.mark.parametrize(
    ("supply_c", "slabs_c", "step_k", "expected"),
    [
        (13.0, (10.0,), 0.1, 0.25 + SECONDS / 1200.0),
        (13.1, (10.0,), 0.1, 0.25),
        (13.1, (10.0, 12.0), 0.1, 0.25),
        (13.0, (), 0.1, 0.25),
        (13.0, (10.0,), 1.0, 0.25 + SECONDS * RATING_W / (2.0 * 0.9 * SLAB_J_K)),
    ],
)
def test_a_pipe_as_cool_as_the_slab(
    supply_c: float, slabs_c: tuple[float, ...], step_k: float, expected: float
) -> None:
    """Within 3 K of the coldest slab: twenty minutes of full heat, or the slab's time for it."""
    slabs = [slab(value, sensor=f"slab-{value}") for value in slabs_c]
    assert due(supply(supply_c), *slabs, FULL, step_k=step_k) == pytest.approx(expected)


def test_a_pause_begins_a_pipes_time_anew() -> None:
    """What stood still without heat has said nothing."""
    assert due(supply(12.0), slab(10.0), FULL, heating=False) == 0.0


# --- what has been found ------------------------------------------------------------------------


@pytest.mark.parametrize(("before", "stuck"), [(0.99, False), (1.0, True)])
def test_stuck_from_one_on(before: float, stuck: bool) -> None:
    """All of what must have moved it."""
    memory = {"value:bay-slab": 10.0, "step:bay-slab": 0.1, "due:bay-slab": before}
    verdict = Script(stuck_reading, memory).tick(*AT_REST, heating=False)
    assert (verdict.severity is not Severity.ALLOW) is stuck


def test_of_two_that_are_stuck_the_first_is_told() -> None:
    """With what it has stood at."""
    memory = {
        "value:bay-slab": 10.0, "stuck:bay-slab": 1.0,
        "value:bay-loop-supply": 11.0, "stuck:bay-loop-supply": 1.0,
    }  # fmt: skip
    verdict = Script(stuck_reading, memory).tick(slab(10.0), supply(11.0), air(8.0))
    assert (verdict.subject, verdict.values) == ("bay-slab", {"value": 10.0})


@pytest.mark.parametrize(
    ("before", "step_k", "value", "learnt_k"),
    [
        (10.0, 0.5, 10.25, 0.25),
        (10.0, 0.5, 9.75, 0.25),
        (10.0, 0.5, 12.0, 0.5),
        (10.0, None, 12.0, 1.0),
        (None, None, 12.0, 1.0),
    ],
)
def test_the_least_that_it_has_moved_by_is_its_step(
    before: float | None, step_k: float | None, value: float, learnt_k: float
) -> None:
    """Up or down; a kelvin at the most."""
    memory = {} if before is None else {"value:bay-slab": before, "due:bay-slab": 0.5}
    if step_k is not None:
        memory["step:bay-slab"] = step_k
    script = Script(stuck_reading, memory)
    script.tick(slab(value), air(10.0))
    assert script.memory["step:bay-slab"] == pytest.approx(learnt_k)
    assert (script.memory["value:bay-slab"], script.memory["due:bay-slab"]) == (value, 0.0)


def test_only_the_slab_goes_with_the_air() -> None:
    """A slab that moves remembers no other."""
    script = Script(stuck_reading)
    script.tick(slab(12.0), air(10.0), supply(11.0))
    slabs = {key for key in script.memory if key.startswith("slab:")}
    assert slabs == {"slab:bay-air"}
