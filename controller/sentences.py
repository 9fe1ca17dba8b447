"""A decision in plain English. Rendering only: nothing here decides, reads or looks up.

Everything is said from the codes and numbers of the record, so that a decision of last winter
reads as it did then. A verdict without a fitting sentence is still told, by its code and values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from controller.local_time import LocalTime, duration
from controller.output_sentences import output_sentence
from controller.records.decision import Command, Decision, Estimate, Readback, Wish
from controller.records.plan import Arrival, BlockReason, Plan, Rung
from controller.records.readings import Condition, Sensed
from controller.records.sessions import Session
from controller.records.site import OUTDOOR, TEMPERATURES, Role
from controller.session_names import session_name, session_phrase
from controller.verdict_sentences import CLEARS_WORDS, verdict_sentence, verdict_sentences

_RUNGS = {
    Rung.LEAD_TIME: "No valid timetable was there: the guard went by its own sum of the lead time.",
    Rung.THERMOSTAT: "Neither a timetable nor a lead time was there: a plain thermostat inside "
    "the session.",
    Rung.FROST_ONLY: "There was nothing to plan by: frost protection alone stands by.",
}

_OPENINGS = {
    (BlockReason.PREHEAT, True): "Preheat for {session}",
    (BlockReason.PREHEAT, False): "A pause in the preheat for {session}",
    (BlockReason.HOLD, True): "Heat to hold {session}",
    (BlockReason.HOLD, False): "Warm enough for now to hold {session}",
    (BlockReason.COAST_UP, True): "Heat in the coast-up before {session}",
    (
        BlockReason.COAST_UP,
        False,
    ): "Coast-up before {session}, on heat still arriving from the slab",
    (BlockReason.RUN_OUT, True): "Heat in the run-out of {session}",
    (BlockReason.RUN_OUT, False): "Run-out of {session}, the slab carries the room to the end",
    (BlockReason.FROST_FLOOR, True): "Heat for the frost floor, ahead of the cold",
    (BlockReason.FROST_FLOOR, False): "No heat needed for the frost floor at the moment",
    (BlockReason.IDLE, True): "Heat outside any session",
    (BlockReason.IDLE, False): "Nothing to do",
}

_BRINGING = {
    BlockReason.PREHEAT: "the planned heat",
    BlockReason.COAST_UP: "that heat",
    BlockReason.IDLE: "the plan",
}
"""What brings the room to the temperature that a coming session is expected to find."""

_ROLE_UNITS = {
    Role.PRESSURE: "bar",
    Role.POWER: "W",
    Role.ENERGY: "kWh",
    Role.IRRADIANCE: "W/m²",
    Role.WIND: "m/s",
    Role.SOLAR_SURPLUS: "W",
}


@dataclass(frozen=True, slots=True)
class Background:
    """What a sentence may name beside the decision itself.

    Attributes
    ----------
    local : LocalTime
        The site's time zone.
    plan : Plan, optional
        The timetable that the decision followed.
    sessions : mapping of str to Session
        Sessions by id, where the plan does not hold them.
    """

    local: LocalTime
    plan: Plan | None = None
    sessions: Mapping[str, Session] = field(default_factory=dict)

    def session(self, session_id: str) -> Session | None:
        """A session as it was planned for, else as it is booked."""
        planned = self.plan.sessions if self.plan else ()
        return next((s for s in planned if s.id == session_id), self.sessions.get(session_id))


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and the sentences under it."""

    title: str
    sentences: tuple[str, ...]


def headline(decision: Decision, background: Background) -> str:
    """The reason of a decision in one short sentence, with its alarms."""
    if decision.deciding is not None:
        said = verdict_sentence(decision.deciding)
    else:
        said = _short_wish(decision, background)
    alarms = [notice.text for notice in decision.notices if notice.alarm]
    return " ".join([said, *alarms])


def _short_wish(decision: Decision, background: Background) -> str:
    wish = decision.wish
    session = background.session(wish.session) if wish.session else None
    opening = _opening(wish, session_name(wish.session, session, background.local))
    estimate = _estimate_of(decision, session)
    if estimate is None:
        return f"{opening}."
    known = {"slab": estimate.slab_c, "air": estimate.air_c}
    told = [f"{name} unknown" if c is None else f"{name} {c:.1f} °C" for name, c in known.items()]
    if _is_coming(wish) and estimate.arrival_c is not None:
        told.append(f"{estimate.arrival_c:.1f} °C expected")
    return f"{opening}: {', '.join(told)}."


def explain(
    decision: Decision, readback: Readback | None, background: Background
) -> tuple[Section, ...]:
    """A decision in full: why, readings, estimates, interlocks, command, read-back."""
    sensed = tuple(reading_sentence(s) for s in decision.sensed)
    estimates = tuple(estimate_sentence(e) for e in decision.estimates)
    sections = (
        Section("Why", _why(decision, background)),
        Section("Notices", tuple(notice.text for notice in decision.notices)),
        Section("Readings", sensed or ("None are on record with this decision.",)),
        Section("Estimate", estimates),
        Section("Interlocks, the weightiest first", verdict_sentences(decision.verdicts)),
        Section("Command", (command_sentence(decision.command, background.local),)),
        Section("Pump and valves", tuple(output_sentence(o) for o in decision.outputs)),
        Section("Read-back", (readback_sentence(readback, decision.command, background.local),)),
    )
    return tuple(section for section in sections if section.sentences)


def _why(decision: Decision, background: Background) -> tuple[str, ...]:
    wish, deciding = decision.wish, decision.deciding
    wished = wish_sentence(decision, background)
    ahead = _ahead(decision, background)
    basis = rung_sentence(wish, decision.at.utc_s, background)
    if deciding is None:
        return (wished, *ahead, basis)
    asked = "heat" if wish.heat else "no heat"
    return (
        verdict_sentence(deciding) + CLEARS_WORDS[deciding.clears],
        f"Planning had asked for {asked}. {wished}",
        basis,
    )


def wish_sentence(decision: Decision, background: Background) -> str:
    """What planning asked for, and the state it asked in."""
    wish = decision.wish
    session = background.session(wish.session) if wish.session else None
    opening = _opening(wish, session_phrase(wish.session, session, background.local))
    estimate = _estimate_of(decision, session)
    if estimate is None:
        return f"{opening}."
    return f"{opening}: {_state(estimate)}{_expectation(estimate, wish)}."


def _opening(wish: Wish, session: str) -> str:
    if wish.reason is BlockReason.IDLE and not wish.heat and wish.session:
        return f"Nothing to do, {session} needs no heat yet"
    return _OPENINGS[wish.reason, wish.heat].format(session=session)


def _estimate_of(decision: Decision, session: Session | None) -> Estimate | None:
    """The estimate of the zone that the wish is about, None where it is about several."""
    zone = session.zone if session else None
    if zone is None and len(decision.estimates) == 1:
        return decision.estimates[0]
    return next((e for e in decision.estimates if e.zone == zone), None)


def _state(estimate: Estimate) -> str:
    slab = "unknown" if estimate.slab_c is None else f"at {estimate.slab_c:.1f} °C"
    air = "unknown" if estimate.air_c is None else f"{estimate.air_c:.1f} °C"
    return f"the slab core is {slab}, room air {air}"


def _is_coming(wish: Wish) -> bool:
    return wish.session is not None and wish.reason in _BRINGING


def _expectation(estimate: Estimate, wish: Wish) -> str:
    """What the session is expected to find; nothing once it runs."""
    if not _is_coming(wish) or estimate.arrival_c is None:
        return ""
    bringing = _BRINGING[wish.reason]
    return (
        f"; {bringing} is expected to bring the room to {estimate.arrival_c:.1f} °C"
        f"{_interval(estimate.arrival_low_c, estimate.arrival_high_c)}"
    )


def _interval(low_c: float | None, high_c: float | None) -> str:
    if low_c is None or high_c is None:
        return ""
    return f" (80 % between {low_c:.1f} and {high_c:.1f} °C)"


def _ahead(decision: Decision, background: Background) -> tuple[str, ...]:
    """What the timetable holds next, and what cannot be reached."""
    plan, wish = background.plan, decision.wish
    if plan is None or wish.plan != plan.id:
        return ()
    arrivals = [a for o in plan.outlooks for a in o.arrivals if a.session == wish.session]
    short = [shortfall_sentence(a, background) for a in arrivals if not a.reachable]
    return (*short, _next_change(plan, decision, background.local))


def _next_change(plan: Plan, decision: Decision, local: LocalTime) -> str:
    at_s, wanted = decision.at.utc_s, decision.wish.heat
    change = next((b for b in plan.blocks if b.start_s > at_s and b.heat != wanted), None)
    if wanted:
        until_s = change.start_s if change else plan.until_s
        return f"The timetable has heat until {local.moment(until_s)}."
    if change is None:
        return f"The timetable has no heat until its end, {local.moment(plan.until_s)}."
    return f"The timetable has the next heat at {local.moment(change.start_s)}."


def shortfall_sentence(arrival: Arrival, background: Background) -> str:
    """A target that cannot be reached in time: what will be, and when the target would be."""
    session = background.session(arrival.session)
    phrase = session_phrase(arrival.session, session, background.local)
    wanted = "" if session else f", which wants {arrival.target_c:.1f} °C,"
    reached = (
        f"the target would be reached at {background.local.moment(arrival.reached_s)}"
        if arrival.reached_s is not None
        else "with this heater the target would not be reached at all"
    )
    return (
        f"Not in time: {phrase}{wanted} will find {arrival.air_c:.1f} °C"
        f"{_interval(arrival.low_c, arrival.high_c)}; {reached}."
    )


def rung_sentence(wish: Wish, at_s: float, background: Background) -> str:
    """Which link of the fallback chain the wish stands on."""
    if wish.rung is not Rung.PROGRAMME:
        return _RUNGS[wish.rung]
    plan = background.plan
    if plan is None or plan.id != wish.plan:
        return f"It follows timetable {wish.plan}, which is not in the store."
    made = background.local.moment(plan.made_s)
    return f"It follows timetable {plan.id}, made {made}, {duration(at_s - plan.made_s)} before."


def reading_sentence(sensed: Sensed) -> str:
    """One sensor: value, condition, age."""
    role = sensed.role.value.replace("_", " ")
    whose = role if sensed.subject == OUTDOOR else f"{role} of {sensed.subject}"
    name = f"{whose} ({sensed.sensor})"
    if sensed.value is None:
        return f"{name}: nothing received since the service started."
    age = "" if sensed.age_s is None else f", {duration(sensed.age_s)} old"
    condition = sensed.condition.value.replace("_", " ")
    unknown = "" if sensed.condition is Condition.FRESH else ": counts as unknown"
    return f"{name}: {_quantity(sensed.role, sensed.value)}{age}, {condition}{unknown}."


def _quantity(role: Role, value: float) -> str:
    if role is Role.RELAY_STATE:
        return on_off(value > 0.5)
    if role in TEMPERATURES:
        return f"{value:.1f} °C"
    digits = 2 if role in (Role.PRESSURE, Role.PRICE, Role.ENERGY) else 0
    return f"{value:.{digits}f} {_ROLE_UNITS.get(role, '')}".rstrip()


def estimate_sentence(estimate: Estimate) -> str:
    """Best knowledge of one zone, and the parameters behind it."""
    arrival = (
        ""
        if estimate.arrival_c is None
        else f"; expected at the next session {estimate.arrival_c:.1f} °C"
        + _interval(estimate.arrival_low_c, estimate.arrival_high_c)
    )
    parameters = (
        f"parameter set {estimate.parameter_set}"
        if estimate.parameter_set
        else ("no parameters learnt or described yet")
    )
    return f"{estimate.zone}: {_state(estimate)}{arrival} ({parameters})."


def command_sentence(command: Command, local: LocalTime) -> str:
    """What the relay was told."""
    told = f"{on_off(command.heat)}, sequence {command.sequence}, "
    told += f"issued {local.stamp(command.issued_s)}"
    if not command.heat:
        return f"{told}."
    return (
        f"{told}; unless renewed, the relay drops out by itself {duration(command.lease_s)} later."
    )


def readback_sentence(readback: Readback | None, command: Command, local: LocalTime) -> str:
    """What the relay said after this command, or after the one that it renews."""
    if readback is None:
        return "None was recorded."
    at = local.stamp(readback.at_s)
    if readback.heat is None:
        return f"The relay said nothing of its state by {at}."
    said = f"The relay reported {on_off(readback.heat)} at {at}"
    if readback.sequence < command.sequence and readback.agrees and readback.heat != command.heat:
        return f"{said}, before this command; none was recorded for it."
    if readback.agrees is None:
        return f"{said}, which could not be compared with the command."
    return f"{said}, {'as' if readback.agrees else 'which is not what'} it was told."


def on_off(heat: bool) -> str:
    """``ON`` or ``OFF``."""
    return "ON" if heat else "OFF"
