"""Heat is asked for and nothing comes: no current, or no flow. A hard limit.

Power under a fifth of the rating and no drop from supply to return say so together, but only
while the supply is well below what the boiler's own thermostat holds: a warm loop needs little.
"""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.readings import Sensed
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "no_flow_or_no_heat"
DEMAND_S = 600.0
"""How long nothing may come while heat is asked for, after the loop's dead time [s]."""
UNGAUGED_DEMAND_S = 300.0
"""The same where no pressure sensor is fitted: a loop without water then shows here first [s]."""
POWER_SHARE = 0.2
LEAST_DROP_K = 1.0
BELOW_THERMOSTAT_K = 3.0
REST_S = 900.0
"""Rest before heat is tried once more [s]."""

SENTENCES = {
    "clear": "What is asked for comes.",
    "not_fitted": "Supply and return are not both fitted, so nobody sees whether heat flows.",
    "unknown": "Supply, return or power are unknown, so it cannot be said that nothing comes.",
    "nothing_comes": "Heat was asked for and for {waited_s:.0f} s nothing came: little power, and "
    "no drop from supply to return. It is tried once more after a rest.",
    "again_nothing": "Heat was asked for twice, and both times nothing came: look at breaker, "
    "thermostat, pump and valves.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip where nothing comes, try once more after a rest, then lock out.

    What confirms the trip is the second attempt: it has readings of its own, and a boiler whose
    power was merely away for a quarter of an hour is not locked out.
    """
    rest_s = memory.get("rest_s", 0.0) - view.elapsed_s
    if rest_s > 0.0:
        return _tripped(memory.get("waited_s", DEMAND_S)), {**memory, "rest_s": rest_s}
    nothing = _nothing_comes(view)
    count = _count(view, memory, nothing)
    waited_s = count["waited_s"]
    allowed_s = DEMAND_S if view.fitted(Role.PRESSURE) else UNGAUGED_DEMAND_S
    if not (nothing and waited_s >= allowed_s and _is_news(view, waited_s)):
        return allow(NAME, _quiet_reason(view, nothing)), count
    if count["tries"] >= 1.0:
        return Verdict(NAME, Severity.LOCKOUT, "again_nothing", Clears.ON_ACKNOWLEDGE), {}
    return _tripped(waited_s), {"rest_s": REST_S, "tries": 1.0, "waited_s": waited_s}


def _count(view: SafetyView, memory: Memory, nothing: bool | None) -> dict[str, float]:
    """How long heat has been asked for, how long nothing came of it, and attempts without any.

    While a reading is unknown the time stands still.
    """
    tries = memory.get("tries", 0.0)
    if not view.heating:
        return {"on_s": 0.0, "waited_s": 0.0, "tries": tries}
    on_s, waited_s = memory.get("on_s", 0.0) + view.elapsed_s, memory.get("waited_s", 0.0)
    if nothing is False:
        return {"on_s": on_s, "waited_s": 0.0, "tries": 0.0}
    if nothing and on_s > _dead_time_s(view):
        waited_s += view.elapsed_s
    return {"on_s": on_s, "waited_s": waited_s, "tries": tries}


def _tripped(waited_s: float) -> Verdict:
    values = {"waited_s": waited_s}
    return Verdict(NAME, Severity.TRIP, "nothing_comes", Clears.AFTER_TIME, values=values)


def _quiet_reason(view: SafetyView, nothing: bool | None) -> str:
    if not _pairs(view):
        return "not_fitted"
    return "unknown" if nothing is None else "clear"


def _pairs(view: SafetyView) -> list[tuple[tuple[Sensed, ...], tuple[Sensed, ...]]]:
    """Supply and return of each loop or heater that has both."""
    subjects = dict.fromkeys(s.subject for s in view.fitted(Role.SUPPLY))
    pairs = [(view.fitted(Role.SUPPLY, s), view.fitted(Role.RETURN, s)) for s in subjects]
    return [pair for pair in pairs if pair[1]]


def _nothing_comes(view: SafetyView) -> bool | None:
    """Whether nothing comes at this moment, None where that cannot be said.

    Where no power is measured the temperatures alone count.
    """
    powers, pairs = view.fitted(Role.POWER), _pairs(view)
    watts = view.values(Role.POWER)
    if not pairs or (powers and not watts):
        return None
    if watts and max(watts) >= POWER_SHARE * view.rating_w:
        return False
    for supplies, returns in pairs:
        warm = [s.value for s in supplies if s.trusted and s.value is not None]
        cool = [s.value for s in returns if s.trusted and s.value is not None]
        if not warm or not cool:
            return None
        drops = max(warm) - min(cool) >= LEAST_DROP_K
        if drops or max(warm) >= view.supply_limit_c - BELOW_THERMOSTAT_K:
            return False
    return True


def _is_news(view: SafetyView, waited_s: float) -> bool:
    """Whether everything that says so was measured after it began."""
    roles = (Role.SUPPLY, Role.RETURN, Role.POWER)
    ages_s = [s.age_s or 0.0 for role in roles for s in view.fitted(role) if s.trusted]
    return all(age_s < waited_s for age_s in ages_s)


def _dead_time_s(view: SafetyView) -> float:
    return max((facts.dead_time_s for facts in view.loop_facts.values()), default=0.0)
