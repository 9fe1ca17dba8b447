"""Heat is asked for and nothing comes: no flow, a hard limit, or no current, which is none.

Power under a fifth of the rating and no drop from supply to return say so together, but only
while the supply is well below what the boiler's own thermostat holds: a warm loop needs little.
A second attempt confirms it. Where a meter that is known to work shows no power at all from the
first moment of an attempt to its last, nothing can boil: the heater is cut off, and is tried again
for as long as it takes. Power that comes and goes again may be the boiler's own limiter at work,
so that alone stands for no more time than it lasts, and it takes minutes of it to forget an
attempt. A sensor that is fitted and dead is as none: the others tell.
"""

from __future__ import annotations

from enum import Enum

from controller.interlocks.flow_pairs import flow_pairs, open_pairs
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
NO_POWER_SHARE = 0.05
"""Share of the rating below which no element is on: pump and electronics may draw so much [-];
common practice, no source."""
CAME_S = 600.0
"""So much time in which something came takes the place of an attempt in which nothing did [s]: a
boiler without flow draws all its power until its limiter ends that; common practice, no source."""
LEAST_DROP_K = 1.0
SURE_DROP_K = 3.0
"""A drop that two sensors do not make up between them, by which a meter is doubted [K]; common
practice, no source."""
BELOW_THERMOSTAT_K = 3.0
REST_S = 900.0
"""Rest before heat is tried again [s]."""

SENTENCES = {
    "clear": "What is asked for comes.",
    "not_fitted": "Supply and return are not both fitted, so nobody sees whether heat flows.",
    "unknown": "Supply, return or power are unknown, so it cannot be said that nothing comes.",
    "nothing_comes": "Heat was asked for and for {waited_s:.0f} s nothing came: little power, and "
    "no drop from supply to return. It is tried once more after a rest.",
    "no_power": "Heat was asked for and for {waited_s:.0f} s the heater drew no power at all. It "
    "is tried again after a rest of {rest_s:.0f} s.",
    "still_no_power": "When heat was last asked for the heater drew no power at all. It is tried "
    "again whenever heat is asked for.",
    "power_not_shown": "Heat came and the power sensor showed less than {least_w:.0f} W all the "
    "while: look at its unit in the site file (W or kW), and at the sensor itself.",
    "again_nothing": "Heat was asked for twice, and both times nothing came: look at breaker, "
    "thermostat, pump and valves.",
}


class Coming(Enum):
    """What can be seen of the heat at this moment."""

    HEAT = "heat flows, or the loop is as warm as the thermostat holds it"
    POWER = "the heater draws power, and no more is seen"
    NOTHING = "nothing comes"
    UNKNOWN = "that cannot be said"


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip where nothing comes and try again after a rest; lock out where power is there.

    What confirms the trip is the second attempt: it has readings of its own, and a boiler whose
    power was merely away for a quarter of an hour is not locked out.
    """
    # a rest goes on while no service runs: it must not hold up frost heat after a long stop
    rest_s = memory.get("rest_s", 0.0) - (view.elapsed_s or view.gap_s or 0.0)
    if rest_s > 0.0:
        return _tripped(memory), {**memory, "rest_s": rest_s}
    coming = _coming(view, meter=bool(memory.get("meter")))
    count = _count(view, memory, coming)
    waited_s = count["waited_s"]
    allowed_s = DEMAND_S if view.fitted(Role.PRESSURE) else UNGAUGED_DEMAND_S
    long = waited_s >= allowed_s and _is_news(view, waited_s)
    if coming is not Coming.NOTHING or not long:
        return _quiet(view, coming, count), count
    cut_off = bool(count["meter"]) and not count["drew"]
    if count["tries"] >= 1.0 and not cut_off:
        verdict = Verdict(NAME, Severity.LOCKOUT, "again_nothing", Clears.ON_ACKNOWLEDGE)
        return verdict, {"meter": count["meter"]}
    rest = {
        "meter": count["meter"],
        "tries": count["tries"] if cut_off else 1.0,  # no power says nothing of the flow
        "cut_off": float(cut_off),
        "waited_s": waited_s,
        "rest_s": REST_S,
    }
    return _tripped(rest), rest


def _count(view: SafetyView, memory: Memory, coming: Coming) -> dict[str, float]:
    """How long heat has been asked for, how long nothing came of it, and attempts without any.

    While a reading is unknown the time stands still. ``drew`` says whether the heater drew power
    in this run or may have, ``meter`` whether its meter is known to show power where there is any.
    """
    names = ("tries", "meter", "cut_off", "came_s", "not_shown")
    kept = {name: memory.get(name, 0.0) for name in names}
    if not view.heating:
        return {**kept, "on_s": 0.0, "waited_s": 0.0, "drew": 0.0, "unmetered_s": 0.0}
    on_s, waited_s = memory.get("on_s", 0.0) + view.elapsed_s, memory.get("waited_s", 0.0)
    unmetered_s, is_late = memory.get("unmetered_s", 0.0), on_s > _dead_time_s(view)
    drawn = _drawn_share(view, within_s=on_s)
    drew = bool(memory.get("drew")) or drawn is None or drawn >= NO_POWER_SHARE
    if coming in (Coming.HEAT, Coming.POWER):
        waited_s = 0.0 if coming is Coming.HEAT else max(0.0, waited_s - view.elapsed_s)
        kept["cut_off"] = 0.0
        kept["came_s"] = min(kept["came_s"] + view.elapsed_s, CAME_S)
        kept["tries"] = kept["tries"] if kept["came_s"] < CAME_S else 0.0
    elif coming is Coming.NOTHING and is_late:
        waited_s += view.elapsed_s
    if drew:
        unmetered_s = 0.0
    elif is_late and _surely_drops(view):
        unmetered_s += view.elapsed_s
    if drawn is not None and drawn >= POWER_SHARE:
        kept["meter"], kept["not_shown"] = 1.0, 0.0
    elif unmetered_s >= DEMAND_S:
        # heat without power: it is the meter that shows none
        kept["meter"], kept["not_shown"] = 0.0, 1.0
    return {
        **kept, "on_s": on_s, "waited_s": waited_s, "drew": float(drew),
        "unmetered_s": unmetered_s,
    }  # fmt: skip


def _tripped(rest: Memory) -> Verdict:
    values = {"waited_s": rest.get("waited_s", DEMAND_S)}
    if not rest.get("cut_off"):
        return Verdict(NAME, Severity.TRIP, "nothing_comes", Clears.AFTER_TIME, values=values)
    values["rest_s"] = REST_S
    return Verdict(NAME, Severity.TRIP, "no_power", Clears.AFTER_TIME, values=values)


def _quiet(view: SafetyView, coming: Coming, count: Memory) -> Verdict:
    """Nothing against heat; alarms stand, also between two attempts."""
    if not flow_pairs(view):
        return allow(NAME, "not_fitted")
    if count["cut_off"]:
        return Verdict(NAME, Severity.WARN, "still_no_power", Clears.WHEN_CLEAR)
    if count["not_shown"]:
        values = {"least_w": NO_POWER_SHARE * view.rating_w}
        return Verdict(NAME, Severity.WARN, "power_not_shown", Clears.WHEN_CLEAR, values=values)
    return allow(NAME, "unknown" if coming is Coming.UNKNOWN else "clear")


def _coming(view: SafetyView, *, meter: bool) -> Coming:
    """What comes of the heat that is asked for.

    Where no power is known the temperatures alone count. Little power counts alone only by a
    meter that is known to work (``meter``), and below a supply that is known to be cool.
    """
    watts, unseen = view.values(Role.POWER), False
    pairs = [(_known(supplies), _known(returns)) for supplies, returns in open_pairs(view)]
    for warm, cool in pairs:
        if warm and max(warm) >= view.supply_limit_c - BELOW_THERMOSTAT_K:
            return Coming.HEAT
        if warm and cool and max(warm) - min(cool) >= LEAST_DROP_K:
            return Coming.HEAT
        unseen = unseen or not warm or not (cool or (watts and meter))
    if watts and max(watts) >= POWER_SHARE * view.rating_w:
        return Coming.POWER
    return Coming.UNKNOWN if unseen or not pairs else Coming.NOTHING


def _surely_drops(view: SafetyView) -> bool:
    """Whether any loop takes heat beyond doubt."""
    known = [(_known(supplies), _known(returns)) for supplies, returns in open_pairs(view)]
    return any(warm and cool and max(warm) - min(cool) >= SURE_DROP_K for warm, cool in known)


def _known(sensed: tuple[Sensed, ...]) -> list[float]:
    return [s.measured for s in sensed if s.trusted]


def _drawn_share(view: SafetyView, *, within_s: float) -> float | None:
    """The greatest share of the rating that the meters have shown of late, None where unknown [-].

    What is older than ``within_s`` was measured before heat was asked for, and counts as nothing.
    """
    powers = [s for s in view.fitted(Role.POWER) if s.trusted]
    if not powers:
        return None
    drawn_w = [s.measured for s in powers if s.old_s < within_s]
    return max(drawn_w, default=0.0) / view.rating_w


def _is_news(view: SafetyView, waited_s: float) -> bool:
    """Whether everything that says so was measured after it began."""
    roles = (Role.SUPPLY, Role.RETURN, Role.POWER)
    ages_s = [s.old_s for role in roles for s in view.fitted(role) if s.trusted]
    return all(age_s < waited_s for age_s in ages_s)


def _dead_time_s(view: SafetyView) -> float:
    return max((facts.dead_time_s for facts in view.loop_facts.values()), default=0.0)
