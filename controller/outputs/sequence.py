"""One step of the sequence: what pump and valves are told, and what the heat waits for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from controller.interlocks import frost_protection, pump_proof
from controller.interlocks.pump_proof import Proof, proof
from controller.outputs.account import Account, Fitted
from controller.outputs.circulation import why
from controller.records.limits import LEASE_S
from controller.records.outputs import OutputReason
from controller.records.readings import Sensed
from controller.records.safety import Clears, Severity, Verdict
from controller.records.site import CirculationPump, Output, Role, ZoneValve
from controller.supervisor import Ruling, settle

NAME = "outputs"
REST_S = 300.0
"""Time from an attempt to start the pump that failed to the next: a blocked motor must cool
(common practice, no source) [s]."""
WAIT_MARGIN_S = 60.0
"""Frost heat that waits for so much longer than way and pump may take is told of [s]."""
LEASE_MARGIN_S = 60.0
"""How much longer than all heat and overrun the lease of a pump or valve is [s]."""

SENTENCES = {
    "valves_opening": "Heat waits until a loop is open: {subject} was told to open {open_s:.0f} s "
    "ago and takes {travel_s:.0f} s.",
    "valves_shut": "No loop is open, so there is no heat: {subject} was told to open and is "
    "reported shut.",
    "valves_unknown": "No loop is known to be open: the report of {subject} cannot be trusted now. "
    "No heat but frost protection.",
    "pump_starting": "Heat waits until the pump {subject} is proven to run; it was told to "
    "{told_s:.0f} s ago.",
}


@dataclass(frozen=True, slots=True)
class Steps:
    """What comes of a tick.

    Attributes
    ----------
    told : mapping of str to (bool, OutputReason)
        ON or OFF for each output, and why.
    leases_s : mapping of str to float
        How long an ON lasts, by output [s].
    waiting : Verdict or None
        What withholds heat that was ruled; None where way and pump are ready for it.
    late : bool
        Whether frost heat has waited for longer than way and pump may take, or does not come
        through a valve that it needs.
    account : Account
        For the next tick.
    """

    told: Mapping[str, tuple[bool, OutputReason]]
    leases_s: Mapping[str, float]
    waiting: Verdict | None
    late: bool
    account: Account


def sequence(
    fitted: Fitted,
    account: Account,
    ruling: Ruling,
    *,
    wanted: bool,
    heating: bool,
    gives: frozenset[str] | None = None,
    needy: frozenset[str] | None = None,
) -> Steps:
    """Work out one tick.

    Parameters
    ----------
    fitted : Fitted
    account : Account
        Up to this tick.
    ruling : Ruling
    wanted : bool
        What the plan asks for.
    heating : bool
        The last command to the heater.
    gives : frozenset of str, optional
        The zones that the plan's heat is for, None for all.
    needy : frozenset of str, optional
        The zones that frost heat is for, None for all.
    """
    # the pump is started for the heat that there would be if it were proven
    others = max(v.severity for v in ruling.verdicts if v.rule != pump_proof.NAME)
    asked = settle(others, wanted=wanted, heating=heating)
    reason = why(fitted, account, ruling.verdicts, asked=asked, latched=ruling.latched)
    calm = all(
        v.severity <= Severity.ALLOW for v in ruling.verdicts if v.rule == frost_protection.NAME
    )
    if not calm:
        gives = _zones_in_frost(needy, gives if wanted else frozenset())
    if reason not in (OutputReason.HEAT, OutputReason.FROST):
        gives = None  # at a trip, an overrun and an exercise all open
    ways = needed_valves(fitted, gives)
    valves, open_s = _valves(fitted, account, reason, ways)
    way = _way_is_open(fitted, account, None if calm else gives)
    account = replace(account, open_s=open_s)
    pump, account = _pump(fitted, account, reason, way=way)
    waiting = _waiting(fitted, account, way=way, calm=calm) if ruling.heat else None
    if waiting is not None and not heating:
        waiting = replace(waiting, severity=Severity.HOLD)
    starved = waiting is not None and not calm
    account = replace(account, waited_s=(account.waited_s or 0.0) if starved else None)
    late = (account.waited_s or 0.0) > _readied_s(fitted) + WAIT_MARGIN_S
    late = late or (not calm and _is_jammed(fitted, account, ways))
    leases_s = {output.id: _lease_s(fitted, output) for output in fitted.outputs}
    return Steps(pump | valves, leases_s, waiting, late, account)


def _zones_in_frost(
    needy: frozenset[str] | None, gives: frozenset[str] | None
) -> frozenset[str] | None:
    """The zones that frost heat is for, and those that planned heat goes on for; None for all."""
    return None if needy is None or gives is None else needy | gives


def _is_jammed(fitted: Fitted, account: Account, ways: frozenset[str]) -> bool:
    """Whether a valve that should have opened long ago is reported shut."""
    told_s = account.open_s or {}
    return any(
        valve.id in ways
        and told_s.get(valve.id, 0.0) > valve.travel_s + WAIT_MARGIN_S
        and _reads_shut(fitted, valve)
        for valve in fitted.valves
    )


def _readied_s(fitted: Fitted) -> float:
    """Longest time from the wish for heat to an open way and a proven pump [s]."""
    proof_s = fitted.heater.pump.proof_s if fitted.heater.pump else 0.0
    return max((valve.travel_s for valve in fitted.valves), default=0.0) + proof_s


def needed_valves(fitted: Fitted, gives: frozenset[str] | None) -> frozenset[str]:
    """The valves of the zones that heat is for; all where that is not known or leaves no way.

    Only one that says how it stands may be left shut: fits must know where the heat went.
    """
    telling = {s.subject for s in fitted.sensed if s.role is Role.RELAY_STATE}
    every, needed = set(), set()
    for loop in fitted.loops:
        if loop.valve is not None:
            every.add(loop.valve.id)
            if gives is None or loop.zone in gives or loop.valve.id not in telling:
                needed.add(loop.valve.id)
    has_way = needed or any(loop.valve is None for loop in fitted.loops)
    return frozenset(needed if has_way else every)


def _valves(
    fitted: Fitted, account: Account, reason: OutputReason | None, ways: frozenset[str]
) -> tuple[dict[str, tuple[bool, OutputReason]], dict[str, float]]:
    """The valves in ``ways`` open with the first reason, and close some time after the last heat.

    One that is needed no longer stays open until fluid has another way, and one that was shut under
    the heat stays so for the overrun. What was open before the start is not known: then all are.
    """
    told, open_s, before = {}, {}, account.open_s or {}
    after_heat = reason in (None, OutputReason.OVERRUN)
    relieved = any(
        loop.valve is None or (loop.valve.id in ways and _is_open(fitted, account, loop.valve))
        for loop in fitted.loops
    )
    for valve in fitted.valves:
        lasting = account.since_heat_s < max(valve.close_after_s, fitted.overrun_s)
        if after_heat:
            on = (reason is not None or lasting) and (valve.id in before or not before)
        else:
            on = valve.id in ways or (valve.id in before and not relieved)
        told[valve.id] = (on, (reason or OutputReason.OVERRUN) if on else OutputReason.IDLE)
        if on:
            open_s[valve.id] = before.get(valve.id, 0.0)
    return told, open_s


def _way_is_open(fitted: Fitted, account: Account, zones: frozenset[str] | None) -> bool:
    """Whether fluid has a way through at least one loop, of these zones where some are named."""
    loops = [loop for loop in fitted.loops if zones is None or loop.zone in zones]
    return not fitted.valves or any(
        loop.valve is None or _is_open(fitted, account, loop.valve) for loop in loops
    )


def _way_is_known(fitted: Fitted, account: Account) -> bool:
    """Whether one of these ways is not merely taken to be open while its report is lost."""
    if any(loop.valve is None for loop in fitted.loops) or not fitted.valves:
        return True
    ways = [valve for valve in fitted.valves if _is_open(fitted, account, valve)]
    return any(
        not (own := _reports(fitted, valve)) or any(s.trusted for s in own) for valve in ways
    )


def _is_open(fitted: Fitted, account: Account, valve: ZoneValve) -> bool:
    """Whether a valve has been told to open for long enough, and nothing says that it is shut."""
    told_s = (account.open_s or {}).get(valve.id)
    return told_s is not None and told_s >= valve.travel_s and not _reads_shut(fitted, valve)


def _reads_shut(fitted: Fitted, valve: ZoneValve) -> bool:
    """Whether its latest report says shut, be it from before it opened: then one waits."""
    return any(s.trusted and s.measured < 0.5 for s in _reports(fitted, valve))


def _reports(fitted: Fitted, valve: ZoneValve) -> tuple[Sensed, ...]:
    """The sensors that say how a valve stands."""
    own = (s for s in fitted.sensed if s.subject == valve.id)
    return tuple(s for s in own if s.role is Role.RELAY_STATE)


def _pump(
    fitted: Fitted, account: Account, reason: OutputReason | None, *, way: bool
) -> tuple[dict[str, tuple[bool, OutputReason]], Account]:
    pump = fitted.heater.pump
    if pump is None:
        return {}, account
    account = _after_attempt(fitted, account, pump, reason)
    if reason is None:
        return {pump.id: (False, OutputReason.IDLE)}, replace(account, pump_s=None)
    if account.rested_s is not None and _may_rest(fitted, account, reason):
        return {pump.id: (False, OutputReason.RESTING)}, replace(account, pump_s=None)
    # never started against closed valves; a pump that runs is not stopped for a valve's report, nor
    # where it may run from before the start, with heat of then still to be carried off
    after_heat = account.since_heat_s < fitted.overrun_s
    if not way and account.pump_s is None and not after_heat:
        return {pump.id: (False, OutputReason.WAITING)}, account
    pump_s = 0.0 if account.pump_s is None else account.pump_s
    return {pump.id: (True, reason)}, replace(account, pump_s=pump_s, rested_s=None)


def _after_attempt(
    fitted: Fitted, account: Account, pump: CirculationPump, reason: OutputReason | None
) -> Account:
    """Begin a rest where the pump is known to stand, end one that is over."""
    if account.rested_s is not None:
        return replace(account, rested_s=None) if account.rested_s >= REST_S else account
    view = account.pump_view(fitted)
    failed = (
        view is not None
        and (view.told_s or 0.0) >= pump.proof_s
        and (proof(view)[0] is Proof.STANDS)
    )
    return (
        replace(account, rested_s=0.0) if failed and _may_rest(fitted, account, reason) else account
    )


def _may_rest(fitted: Fitted, account: Account, reason: OutputReason | None) -> bool:
    """Whether nothing is lost by leaving the pump alone: no heat is to be carried off."""
    after_heat = account.since_heat_s < fitted.overrun_s
    return reason in (OutputReason.HEAT, OutputReason.EXERCISE) and not after_heat


def _waiting(fitted: Fitted, account: Account, *, way: bool, calm: bool) -> Verdict | None:
    """What heat waits for. A valve of which nothing is known withholds all but frost heat."""
    if not way:
        return _waiting_for_way(fitted, account)
    if calm and not _way_is_known(fitted, account):
        silent = next(v for v in fitted.valves if _is_open(fitted, account, v))
        return Verdict(NAME, Severity.OFF, "valves_unknown", Clears.WHEN_CLEAR, silent.id)
    return _waiting_for_pump(fitted, account)


def _waiting_for_way(fitted: Fitted, account: Account) -> Verdict:
    """What is said of the valve that is nearest to being open."""
    opened = account.open_s or {}
    valve = max(fitted.valves, key=lambda v: opened.get(v.id, 0.0) - v.travel_s)
    told_s = opened.get(valve.id, 0.0)
    if told_s >= valve.travel_s and _reads_shut(fitted, valve):
        return Verdict(NAME, Severity.OFF, "valves_shut", Clears.WHEN_CLEAR, valve.id)
    values = {"open_s": told_s, "travel_s": valve.travel_s}
    return Verdict(NAME, Severity.OFF, "valves_opening", Clears.AFTER_TIME, valve.id, values)


def _waiting_for_pump(fitted: Fitted, account: Account) -> Verdict | None:
    """None where the pump is proven; or is past its time with nothing known of it.

    In the second case its rule leaves frost heat alone, and that is let through here.
    """
    pump, view = fitted.heater.pump, account.pump_view(fitted)
    if pump is None or view is None:
        return None
    found, told_s = proof(view)[0], view.told_s or 0.0
    late = view.told_s is not None and told_s >= pump.proof_s
    if found is Proof.RUNS or (found is Proof.UNKNOWN and late):
        return None
    values = {"told_s": told_s, "proof_s": pump.proof_s}
    return Verdict(NAME, Severity.OFF, "pump_starting", Clears.WHEN_CLEAR, pump.id, values)


def _lease_s(fitted: Fitted, output: Output) -> float:
    """Longer than the heater can go on by itself, and the overrun after that [s]."""
    relay = fitted.heater.relay
    heat_s = LEASE_S if relay.leases else relay.drop_out_s or LEASE_S
    after_s = output.close_after_s if isinstance(output, ZoneValve) else 0.0
    return heat_s + max(after_s, fitted.overrun_s) + LEASE_MARGIN_S
