"""Loop pressure: too low or too high are hard limits, a fast fall withholds heat and alarms.

Low and falling are judged at equal fluid temperature, for a loop that cools loses pressure and no
water. High is judged as the gauge shows it, because that is what the relief valve feels. A fall
is OFF and no trip: what is lost is found by the low limit, and pipes must not freeze for a
gauge that creeps. A gauge that has shown too little from its first day on has lost nothing: its
unit is wrong, it is dead, or the loop was never filled. As the last would boil dry, it is a trip
for as long as it lasts, but never a lockout.
"""

from __future__ import annotations

from dataclasses import replace
from statistics import fmean, median
from typing import NamedTuple

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
BASIS_READINGS = 5
"""What a loop is compared with is the median of so many readings at the least a minute apart."""
BASIS_EVERY_S = 60.0
REFILLED_BAR = 0.1
"""What stands so much higher may have been refilled: then the basis is taken anew [bar]; common
practice, no source."""

SENTENCES = {
    "clear": "The loop stands at {value_bar:.2f} bar.",
    "not_fitted": "No pressure sensor is fitted: look at the gauge.",
    "unknown": "The loop pressure is unknown, so it cannot be called too low or too high.",
    "low": "The loop ({subject}) stands at {value_bar:.2f} bar by the fluid's usual cold "
    "temperature, below its limit of {limit_bar:.2f} bar: it has lost water. Look for the leak.",
    "high": "The loop ({subject}) stands at {value_bar:.2f} bar, above its limit of "
    "{limit_bar:.2f} bar: the relief valve is about to open. Look at vessel and filling valve.",
    "never_filled": "The gauge ({subject}) shows {value_bar:.2f} bar and has never shown as much "
    "as its limit of {limit_bar:.2f} bar: look at its unit, at the gauge itself, and whether the "
    "loop is filled. No heat until then: a hard-wired frost stat must guard the pipes.",
    "falling": "The loop ({subject}) has quickly lost {lost_bar:.2f} bar at equal temperature: "
    "look for a leak.",
}


class _Gauge(NamedTuple):
    """A gauge that can be believed, as a tick sees it."""

    sensor: str
    old_s: float
    shown_bar: float
    cold_bar: float
    """What it would show with the fluid as cold as it was filled [bar]."""
    facts: LoopFacts


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip on low and high, lock out once that is confirmed, withhold heat on a fast fall."""
    fitted = view.fitted(Role.PRESSURE)
    if not fitted:
        return allow(NAME, "not_fitted"), {}
    gauges = [gauge for sensed in fitted if (gauge := _gauge(view, sensed)) is not None]
    kept = _kept(memory, gauges)
    if not gauges:
        return allow(NAME, "unknown"), kept
    for gauge in gauges:
        kept |= _basis(view, memory, gauge)
    if tripped := _beyond_limit(gauges, kept):
        over_s = trip_age_s(view, memory)
        return _trip(*tripped, over_s), {**kept, "over_s": over_s}
    if never := _never_filled(gauges, kept):
        return _verdict(Severity.TRIP, "never_filled", never), kept
    fall = max(gauges, key=lambda gauge: _lost_bar(gauge, kept))
    if _lost_bar(fall, kept) > FALL_BAR:
        fallen_s = memory["fallen_s"] + view.elapsed_s if "fallen_s" in memory else 0.0
        kept["fallen_s"] = fallen_s
        if fallen_s >= CONFIRM_S and fall.old_s < fallen_s:
            values = {"lost_bar": _lost_bar(fall, kept)}
            clears = Clears.WHEN_CLEAR
            return Verdict(NAME, Severity.OFF, "falling", clears, fall.sensor, values), kept
    values = {"value_bar": min(gauge.shown_bar for gauge in gauges)}
    return Verdict(NAME, Severity.ALLOW, "clear", values=values), kept


_TOP = "top_bar:"
"""What a gauge's pressure is compared with [bar]."""
_FILLED = "filled:"
"""That a gauge has ever shown a pressure within its limits."""
_SAMPLE, _SAMPLE_S = "basis:", "basis_s:"
"""A gauge's samples for a new basis, by number, and the age of the last of them [s]."""


def _kept(memory: Memory, gauges: list[_Gauge]) -> dict[str, float]:
    """What is remembered of gauges of which nothing is known now; samples begin anew."""
    names = {gauge.sensor for gauge in gauges}
    return {
        key: value
        for key, value in memory.items()
        if key.startswith((_TOP, _FILLED)) and key.partition(":")[2] not in names
    }


def _lost_bar(gauge: _Gauge, kept: Memory) -> float:
    """How far a gauge has fallen below its basis, nothing where it has none yet [bar]."""
    return kept.get(_TOP + gauge.sensor, gauge.cold_bar) - gauge.cold_bar


def _beyond_limit(gauges: list[_Gauge], kept: Memory) -> tuple[str, _Gauge] | None:
    """The first gauge beyond a hard limit, and which."""
    for gauge in gauges:
        if gauge.shown_bar > gauge.facts.high_bar:
            return "high", gauge
        if gauge.cold_bar < gauge.facts.low_bar and _FILLED + gauge.sensor in kept:
            return "low", gauge
    return None


def _never_filled(gauges: list[_Gauge], kept: Memory) -> _Gauge | None:
    low = (gauge for gauge in gauges if gauge.cold_bar < gauge.facts.low_bar)
    return next((gauge for gauge in low if _FILLED + gauge.sensor not in kept), None)


def _trip(reason: str, gauge: _Gauge, over_s: float) -> Verdict:
    confirmed = over_s >= CONFIRM_S and gauge.old_s < over_s
    return _verdict(Severity.LOCKOUT if confirmed else Severity.TRIP, reason, gauge)


def _verdict(severity: Severity, reason: str, gauge: _Gauge) -> Verdict:
    """A trip by a limit, with what was compared."""
    if reason == "high":
        values = {"value_bar": gauge.shown_bar, "limit_bar": gauge.facts.high_bar}
    else:
        values = {"value_bar": gauge.cold_bar, "limit_bar": gauge.facts.low_bar}
    locks = severity is Severity.LOCKOUT
    clears = Clears.ON_ACKNOWLEDGE if locks else Clears.WHEN_CLEAR
    return Verdict(NAME, severity, reason, clears, gauge.sensor, values)


def _gauge(view: SafetyView, sensed: Sensed) -> _Gauge | None:
    """A fitted gauge with what its loop makes of it, None where it cannot be believed."""
    facts = _facts(view, sensed)
    if not sensed.trusted or facts is None:
        return None
    shown_bar, fluid_c = sensed.measured, _fluid_c(view, facts)
    warmth_bar = 0.0 if fluid_c is None else facts.bar_per_k * (fluid_c - facts.cold_c)
    return _Gauge(sensed.sensor, sensed.old_s, shown_bar, shown_bar - warmth_bar, facts)


def _facts(view: SafetyView, sensed: Sensed) -> LoopFacts | None:
    """What is known of a gauge's loop; for a boiler's gauge the tightest of its loops."""
    if sensed.subject in view.loop_facts:
        return view.loop_facts[sensed.subject]
    facts = tuple(view.loop_facts.values())
    if not facts:
        return None
    tightest = max(facts, key=lambda f: f.low_bar)
    return replace(tightest, high_bar=min(f.high_bar for f in facts))


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


def _basis(view: SafetyView, memory: Memory, gauge: _Gauge) -> dict[str, float]:
    """What a gauge is compared with from now on, and the samples for a new basis.

    A basis is what the gauge shows for some minutes at the start, after an acknowledgement and
    after a refill. From then on it is let down slowly, and follows what rises.
    """
    name, facts = gauge.sensor, gauge.facts
    anew = view.acknowledged.covers(NAME)
    top_bar = None if anew else memory.get(_TOP + name)
    kept = {_FILLED + name: 1.0} if {_FILLED + name, _TOP + name} & set(memory) else {}
    samples: list[float] = []
    if top_bar is None or gauge.cold_bar > top_bar + REFILLED_BAR:
        samples, since_s = _sampled(view, {} if anew else memory, gauge)
        kept[_SAMPLE_S + name] = since_s
    if len(samples) >= BASIS_READINGS:
        begun_bar, samples = median(samples), []
        if facts.low_bar <= begun_bar and gauge.shown_bar <= facts.high_bar:
            kept[_FILLED + name] = 1.0
            top_bar = begun_bar
    elif top_bar is not None:
        top_bar = _followed_bar(view, top_bar, gauge.cold_bar)
    if top_bar is not None:
        kept[_TOP + name] = top_bar
    return kept | {f"{_SAMPLE}{name}:{n}": bar for n, bar in enumerate(samples)}


def _sampled(view: SafetyView, memory: Memory, gauge: _Gauge) -> tuple[list[float], float]:
    """The samples so far, with this reading where it is due and news, and the last one's age."""
    keys = [f"{_SAMPLE}{gauge.sensor}:{n}" for n in range(BASIS_READINGS)]
    samples = [memory[key] for key in keys if key in memory]
    since_s = memory.get(_SAMPLE_S + gauge.sensor, 0.0) + view.elapsed_s
    is_news = gauge.old_s < since_s
    if samples and not (is_news and since_s >= BASIS_EVERY_S):
        return samples, since_s
    return [*samples, gauge.cold_bar], 0.0


def _followed_bar(view: SafetyView, before_bar: float, cold_bar: float) -> float:
    """The basis a tick later: up with what rises, down slowly [bar]."""
    passed_h = (view.elapsed_s or view.gap_s or 0.0) / 3600.0
    if cold_bar > before_bar:
        return min(cold_bar, before_bar + REFILL_BAR_PER_H * passed_h)
    return max(cold_bar, before_bar - SLOW_BAR_PER_H * passed_h)
