"""Frost protection by the return: what a pipe sensor that has failed cold may do, and what not."""

from dataclasses import replace

import pytest

from controller.interlocks import frost_protection
from controller.records.limits import Limits
from controller.records.readings import Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import HOUR_S, Script, air, lost, outdoor, sensed, slab, view

HEAT, NONE = Severity.FROST, Severity.ALLOW

FULL = {"minute_s": 0.0}
"""An hour's budget of which nothing is spent."""


def _seconds_of_heat(script: Script, *readings: Sensed) -> float:
    """Play ticks of 10 s for an hour, and add up those that end with heat."""
    return 10.0 * sum(script.tick(*readings).severity is HEAT for _ in range(360))


@pytest.mark.parametrize("subject", ["bay-loop", "boiler"])
def test_a_return_sensor_that_failed_cold_stops_asking(subject: str) -> None:
    """One that has come off its pipe heats a slab to 25 °C and no further, and not at a flicker."""
    script = Script(frost_protection, FULL)
    cold = sensed(Role.RETURN, 2.0, subject=subject)
    assert script.tick(slab(22.9), air(20.0), cold).severity is HEAT
    assert script.run(HOUR_S, slab(24.9), air(20.0), cold).severity is HEAT
    assert script.tick(slab(25.0), air(20.0), cold).severity is NONE
    assert script.tick(slab(24.9), air(20.0), cold).severity is NONE
    assert script.tick(slab(22.9), air(20.0), cold).severity is HEAT


def test_a_cold_return_over_a_slab_that_stays_warm_is_heated_blind() -> None:
    """One of the two has failed: after four hours the budget's heat, none where it is mild."""
    script = Script(frost_protection, FULL)
    readings = (
        slab(30.0),
        sensed(Role.RETURN, 2.0, subject="bay-loop"),
        lost(Role.AIR),
        outdoor(-8.0),
    )
    assert script.run(4 * HOUR_S - 20.0, *readings).severity is NONE
    assert script.run(30.0, *readings).reason == "blind"
    assert _seconds_of_heat(script, *readings) <= 900.0
    mild = Script(frost_protection, FULL).run(5 * HOUR_S, *readings[:3], outdoor(9.0))
    assert mild.severity is NONE


def test_the_return_of_another_loop_still_asks() -> None:
    """A warm slab answers for its own loop alone."""
    script = Script(frost_protection, FULL)
    facts = {**view().loop_facts}
    facts["loft-loop"] = replace(facts["bay-loop"], zone="loft")
    readings = (slab(30.0), air(20.0), slab(8.0, subject="loft"), air(8.0, subject="loft"))
    cold = sensed(Role.RETURN, 2.0, subject="loft-loop")
    both = {"zones": ("bay", "loft"), "loop_facts": facts}
    assert script.tick(*readings, cold, **both).severity is HEAT
    assert (
        Script(frost_protection, FULL)
        .tick(*readings, sensed(Role.RETURN, 2.0, subject="bay-loop"), **both)
        .severity
        is NONE
    )


@pytest.mark.parametrize(
    "limits",
    [Limits(slab_max_c=22.0), Limits(surface_max_c=22.0, surface_session_max_c=20.0)],
    ids=["slab", "surface"],
)
def test_a_tightened_limit_is_not_driven_into(limits: Limits) -> None:
    """Cold air and a cold return leave a slab 5 K below its limit alone: a lockout would be next.

    A slab that stays so under a freezing room is doubted all the same.
    """
    script = Script(frost_protection, {**FULL, "cold_air_s": HOUR_S})
    cold = sensed(Role.RETURN, 2.0, subject="bay-loop")
    assert script.tick(slab(16.9), air(2.0), cold, limits=limits).severity is HEAT
    assert script.tick(slab(17.0), air(2.0), cold, limits=limits).severity is NONE
    assert script.tick(slab(4.0), air(2.0), cold, limits=limits).severity is HEAT
    readings = (slab(17.0), air(2.0), outdoor(-8.0))
    assert script.run(4 * HOUR_S + 60.0, *readings, limits=limits).reason == "blind"
