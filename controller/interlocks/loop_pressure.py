"""Loop pressure: too low or too high are hard limits, a fast fall withholds heat and alarms.

Low and falling are judged at equal fluid temperature, for a loop that cools loses pressure and no
water. High is judged as the gauge shows it, because that is what the relief valve feels. A fall
is OFF and no trip: what is lost is found by the low limit, and pipes must not freeze for a
gauge that creeps.
"""

from __future__ import annotations

from statistics import fmean

from controller.interlocks.rule import CONFIRM_S, allow, trip_age_s
from controller.records.readings import Sensed
from controller.records.safety import Clears, LoopFacts, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "loop_pressure"
FALL_BAR = 0.3
"""A fall of this much is fast where it happens within an hour or so [bar]; common practice, no
source. A rise per kelvin that is off by 0.01 bar/K makes 0.15 bar of a quick cooling by 15 K."""
SLOW_BAR_PER_H = 0.1
"""A fall slower than this is left to the low limit [bar/h]."""
REFILL_BAR_PER_H = 1.0
"""How fast what is compared with follows a rise: one high reading does not lift it [bar/h]."""

SENTENCES = {
    "clear": "The loop stands at {value_bar:.2f} bar.",
    "not_fitted": "No pressure sensor is fitted: look at the gauge.",
    "unknown": "The loop pressure is unknown, so it cannot be called too low or too high.",
    "low": "The loop ({subject}) stands at {value_bar:.2f} bar by the fluid's usual cold "
    "temperature, below its limit of {limit_bar:.2f} bar: it has lost water. Look for the leak.",
    "high": "The loop ({subject}) stands at {value_bar:.2f} bar, above its limit of "
    "{limit_bar:.2f} bar: the relief valve is about to open. Look at vessel and filling valve.",
    "falling": "The loop ({subject}) has quickly lost {lost_bar:.2f} bar at equal temperature: "
    "look for a leak.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip on low and high, lock out once that is confirmed, withhold heat on a fast fall."""
    fitted = view.fitted(Role.PRESSURE)
    if not fitted:
        return allow(NAME, "not_fitted"), {}
    known = [s for s in fitted if s.trusted and _facts(view, s) is not None]
    tops = {key: value for key, value in memory.items() if key.startswith(_TOP)}
    if not known:
        return allow(NAME, "unknown"), tops
    for sensed in known:
        tops[_TOP + sensed.sensor] = _top_bar(view, memory, sensed)
    if tripped := _beyond_limit(view, known):
        over_s = trip_age_s(view, memory)
        return _trip(tripped, over_s), {**tops, "over_s": over_s}
    fall = max(known, key=lambda s: tops[_TOP + s.sensor] - _cold_bar(view, s))
    lost_bar = tops[_TOP + fall.sensor] - _cold_bar(view, fall)
    if lost_bar > FALL_BAR:
        fallen_s = memory["fallen_s"] + view.elapsed_s if "fallen_s" in memory else 0.0
        tops["fallen_s"] = fallen_s
        if fallen_s >= CONFIRM_S and (fall.age_s or 0.0) < fallen_s:
            values = {"lost_bar": lost_bar}
            return Verdict(
                NAME, Severity.OFF, "falling", Clears.WHEN_CLEAR, fall.sensor, values
            ), tops
    values = {"value_bar": min(s.value or 0.0 for s in known)}
    return Verdict(NAME, Severity.ALLOW, "clear", values=values), tops


_TOP = "top_bar:"


def _trip(tripped: tuple[str, Sensed, dict[str, float]], over_s: float) -> Verdict:
    reason, sensed, values = tripped
    confirmed = over_s >= CONFIRM_S and (sensed.age_s or 0.0) < over_s
    severity = Severity.LOCKOUT if confirmed else Severity.TRIP
    clears = Clears.ON_ACKNOWLEDGE if confirmed else Clears.WHEN_CLEAR
    return Verdict(NAME, severity, reason, clears, sensed.sensor, values)


def _beyond_limit(
    view: SafetyView, known: list[Sensed]
) -> tuple[str, Sensed, dict[str, float]] | None:
    for sensed in known:
        facts, value_bar = _facts(view, sensed), sensed.value or 0.0
        if facts is None:
            continue
        if value_bar > facts.high_bar:
            return "high", sensed, {"value_bar": value_bar, "limit_bar": facts.high_bar}
        cold_bar = _cold_bar(view, sensed)
        if cold_bar < facts.low_bar:
            return "low", sensed, {"value_bar": cold_bar, "limit_bar": facts.low_bar}
    return None


def _facts(view: SafetyView, sensed: Sensed) -> LoopFacts | None:
    """What is known of a gauge's loop; for a boiler's gauge the tightest of its loops."""
    if sensed.subject in view.loop_facts:
        return view.loop_facts[sensed.subject]
    facts = tuple(view.loop_facts.values())
    if not facts:
        return None
    tightest = max(facts, key=lambda f: f.low_bar)
    return LoopFacts(
        zone=tightest.zone,
        dead_time_s=tightest.dead_time_s,
        low_bar=tightest.low_bar,
        high_bar=min(f.high_bar for f in facts),
        cold_c=tightest.cold_c,
        bar_per_k=tightest.bar_per_k,
    )


def _cold_bar(view: SafetyView, sensed: Sensed) -> float:
    """What the gauge would show with the fluid as cold as it was filled [bar]."""
    facts, value_bar = _facts(view, sensed), sensed.value or 0.0
    if facts is None:
        return value_bar
    fluid_c = _fluid_c(view, facts)
    if fluid_c is None:
        return value_bar
    return value_bar - facts.bar_per_k * (fluid_c - facts.cold_c)


def _fluid_c(view: SafetyView, facts: LoopFacts) -> float | None:
    """About the mean temperature of the fluid, None where nothing tells it [°C].

    Most of it lies in the slab: at rest it is as warm as that, while the pipes' sensors cool;
    while it flows it lies between supply and return. The mean of the three is never far off.
    """
    of_roles = [
        view.values(Role.SUPPLY),
        view.values(Role.RETURN),
        view.values(Role.SLAB, facts.zone),
    ]
    known = [fmean(values) for values in of_roles if values]
    return fmean(known) if known else None


def _top_bar(view: SafetyView, memory: Memory, sensed: Sensed) -> float:
    """The pressure to compare with: what stood there before, let down slowly [bar]."""
    cold_bar = _cold_bar(view, sensed)
    if _TOP + sensed.sensor not in memory:
        return cold_bar
    passed_h = (view.elapsed_s or view.gap_s or 0.0) / 3600.0
    before_bar = memory[_TOP + sensed.sensor]
    if cold_bar > before_bar:
        return min(cold_bar, before_bar + REFILL_BAR_PER_H * passed_h)
    return max(cold_bar, before_bar - SLOW_BAR_PER_H * passed_h)
