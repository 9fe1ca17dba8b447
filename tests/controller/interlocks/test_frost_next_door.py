"""Frost protection in several zones, in bursts that are worth it, and in rooms that warm again."""

from __future__ import annotations

from itertools import groupby, pairwise

import pytest

from controller.interlocks import frost_protection
from controller.records.limits import Limits
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import HOUR_S, Script, air, lost, outdoor, slab, view

HEAT, NONE = Severity.FROST, Severity.ALLOW
FULL = {"minute_s": 0.0}
"""An hour's budget of which nothing is spent."""
BLIND = (lost(Role.SLAB), lost(Role.AIR), outdoor(-8.0))
ZONES = {"zones": ("bay", "loft")}


def both(bay_c: float, loft_c: float, loft_air_c: float = 20.0) -> tuple[object, ...]:
    return (slab(bay_c), air(4.0), slab(loft_c, subject="loft"), air(loft_air_c, subject="loft"))


# --- next door ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bay_c", "loft_c", "reason"),
    [(4.0, 34.5, "cold"), (4.0, 34.6, "next_door"), (4.0, 39.0, "next_door"), (4.0, 10.0, "cold")],
)
def test_heat_for_one_zone_stops_before_anothers_limit(
    bay_c: float, loft_c: float, reason: str
) -> None:
    """Half a kelvin below the lower of slab's and surface's limit: no lockout by frost heat."""
    verdict = Script(frost_protection, FULL).tick(*both(bay_c, loft_c), **ZONES)
    assert verdict.reason == reason
    assert (verdict.severity is HEAT) is (reason == "cold")


def test_it_waits_until_that_zone_has_cooled_by_two_kelvin() -> None:
    """No switching at every flicker."""
    script = Script(frost_protection, FULL)
    temperatures = [34.6, 34.4, 32.6, 32.5, 34.4]
    reasons = [script.tick(*both(4.0, c), **ZONES).reason for c in temperatures]
    assert reasons == ["next_door", "next_door", "next_door", "cold", "cold"]


@pytest.mark.parametrize(
    ("colder_c", "reason"), [(4.0, "cold"), (24.9, "cold"), (25.0, "next_door")]
)
def test_a_zone_whose_own_slab_is_cold_too_is_not_full(colder_c: float, reason: str) -> None:
    """Of two sensors that contradict each other other rules make what they can."""
    readings = (*both(4.0, colder_c, 10.0), slab(38.0, subject="loft", sensor="second"))
    assert Script(frost_protection, FULL).tick(*readings, **ZONES).reason == reason


def test_a_zone_that_is_shut_does_not_count() -> None:
    """Its valves are told to be shut: no heat goes into its floor."""
    shut = {**ZONES, "shut": frozenset({"loft"})}
    assert Script(frost_protection, FULL).tick(*both(4.0, 39.0), **shut).reason == "cold"


@pytest.mark.parametrize(("loft_air_c", "reason"), [(20.0, "next_door"), (4.0, "blind")])
def test_heat_by_doubt_stops_before_a_slab_that_is_not_doubted(
    loft_air_c: float, reason: str
) -> None:
    """The bay's slab says 26 °C under a freezing room, and is not believed; the loft's is."""
    script = Script(frost_protection, {**FULL, "unlikely_s": 4 * HOUR_S})
    readings = (slab(26.0), air(-5.0), outdoor(-9.0), *both(0.0, 39.0, loft_air_c)[2:])
    assert script.tick(*readings, **ZONES).reason == reason


def test_which_zones_frost_heat_is_for() -> None:
    """All but those with a warm slab under a warm room; all where none is left."""

    def needy(*readings: object) -> set[str]:
        return set(frost_protection.needy(view(*readings, **ZONES)))

    assert needy(*both(4.0, 24.9)) == {"bay", "loft"}
    assert needy(*both(4.0, 25.0)) == {"bay"}
    assert needy(*both(4.0, 30.0)) == {"bay"}
    assert needy(*both(4.0, 25.0, loft_air_c=4.9)) == {"bay", "loft"}
    assert needy(*both(4.0, 25.0, loft_air_c=5.0)) == {"bay"}
    assert needy(*both(4.0, 25.0)[:2], lost(Role.SLAB, "loft")) == {"bay", "loft"}
    assert needy(*both(26.0, 26.0)[:1], *both(26.0, 26.0)[2:]) == {"bay", "loft"}
    tight = view(*both(4.0, 17.0), **ZONES, limits=Limits(slab_max_c=22.0))
    assert frost_protection.needy(tight) == {"bay"}


# --- warm rooms and warm weather ----------------------------------------------------------------


def test_a_room_that_blind_heat_warms_stays_warm_for_two_kelvin() -> None:
    """A slab sensor that failed cold is not believed again at every flicker of the air."""
    script = Script(frost_protection, FULL)
    reasons = [script.tick(slab(3.0), air(c)).reason for c in (15.0, 14.9, 13.0, 12.9, 14.9)]
    assert reasons == ["blind", "blind", "blind", "cold", "cold"]


def test_blindness_ends_with_the_frost_outdoors() -> None:
    """A June night below 7 °C is not followed by heat until the sensor is mended."""
    script = Script(frost_protection, {**FULL, "unseen_s": 600.0})
    dead = (lost(Role.SLAB), lost(Role.AIR))
    assert script.tick(*dead, outdoor(6.5)).reason == "blind"
    assert script.run(HOUR_S, *dead, outdoor(7.0)).severity is NONE
    assert script.tick(*dead, outdoor(6.9)).reason == "blind"


# --- bursts -------------------------------------------------------------------------------------


def test_blind_heat_never_falls_apart_into_bursts() -> None:
    """Two days of it: every stretch is as long as the minimum on time, and so is every pause."""
    script = Script(frost_protection, {**FULL, "unseen_s": 600.0})
    heats = [script.tick(*BLIND).severity is HEAT for _ in range(48 * 360)]
    stretches = [(heat, 10.0 * len(list(ticks))) for heat, ticks in groupby(heats)]
    assert min(seconds for _, seconds in stretches[:-1]) >= 300.0
    assert sum(heats[-24 * 360 :]) >= 24 * 360 * 0.22, "hardly less than the duty comes"


def test_an_interruption_does_not_make_bursts_of_it() -> None:
    """A slab that is seen for a moment, again and again, at odd times."""
    script = Script(frost_protection, {**FULL, "unseen_s": 600.0})
    heats = []
    for tick in range(24 * 360):
        readings = (slab(9.0), air(9.0), outdoor(-8.0)) if tick % 97 == 0 else BLIND
        heats.append(script.tick(*readings).severity is HEAT)
        if tick % 97 == 0:
            script.memory = {**script.memory, "unseen_s": 600.0, "active": 1.0}
    starts = sum(b and not a for a, b in pairwise(heats))
    assert starts <= 24 * 4


def test_a_duty_that_is_tightened_to_the_minimum_on_time_is_given_whole() -> None:
    """Five minutes an hour begin when all five are there."""
    script = Script(frost_protection, {**FULL, "unseen_s": 600.0})
    limits = Limits(blind_duty_s=300.0, min_on_s=600.0)
    heats = [script.tick(*BLIND, limits=limits).severity is HEAT for _ in range(5 * 360)]
    assert {len(list(ticks)) for heat, ticks in groupby(heats) if heat} == {30}
