"""One tick for one heater: readings, plan, bookings, limits and the moment in, a decision out.

No I/O and no clock: the same code runs live, in rehearsal and in the tests. What must be carried
from tick to tick goes in and comes out as a ``Carry``.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from controller import __version__, outputs
from controller.alarms import FROST_WAITS, alarms, unexpected
from controller.command_numbers import gap_s, next_numbers, numbers_at_start
from controller.interlocks import frost_protection
from controller.interlocks.doubt import doubted
from controller.outputs import Account, Fitted, Steps, sequence
from controller.plant import loop_facts, zone_facts
from controller.records.decision import (
    Command,
    Decision,
    Estimate,
    HeaterState,
    Notice,
    NoticeKind,
    Wish,
)
from controller.records.instant import Instant
from controller.records.limits import LEASE_S, Limits
from controller.records.outputs import OutputCommand
from controller.records.plan import Arrival, BlockReason, ParameterSet, Plan, Rung
from controller.records.readings import Sensed
from controller.records.safety import NOTHING, Acknowledged, SafetyView
from controller.records.sessions import Session
from controller.records.site import Heater, Loop, Role, Zone
from controller.supervisor import Ruling, supervise
from controller.wishes import Outlook, aimed_at, wish

SMOOTHING_S = 1200.0
"""Span of the running median of room air: a door dip of minutes moves nothing [s]."""
SAMPLE_S = 60.0
"""Least distance of two values in that median [s]."""
Airs = Mapping[str, tuple[tuple[float, float], ...]]
"""By zone, (monotonic time, room air) of the last minutes [s, °C]."""


@dataclass(frozen=True, slots=True)
class Situation:
    """All that a tick knows.

    Attributes
    ----------
    now : Instant
    heater : Heater
    zones : tuple of Zone
        The zones that the heater serves.
    limits : Limits
    sensed : tuple of Sensed
        Every fitted sensor that concerns this heater.
    sessions : tuple of Session
        Running and coming sessions of these zones, by start.
    plan : Plan or None
        The latest timetable.
    parameter_sets : mapping of str to ParameterSet
        Those in force, by zone.
    acknowledged : Acknowledged
        What the owner has acknowledged since the last tick.
    notices : tuple of Notice
        Standing facts to be recorded with the decision.
    relay_reachable : bool
        Whether a command can be delivered at this moment.
    loops : tuple of Loop
        The loops that the heater feeds.
    deaf : frozenset of str
        The pump and valves that do not hear what they are told.
    interrupted : bool
        Whether the relay was told OFF since the last tick, by a connection that began anew.
    """

    now: Instant
    heater: Heater
    zones: tuple[Zone, ...]
    limits: Limits
    sensed: tuple[Sensed, ...]
    sessions: tuple[Session, ...]
    plan: Plan | None
    parameter_sets: Mapping[str, ParameterSet]
    acknowledged: Acknowledged = NOTHING
    notices: tuple[Notice, ...] = ()
    relay_reachable: bool = True
    loops: tuple[Loop, ...] = ()
    deaf: frozenset[str] = frozenset()
    interrupted: bool = False


@dataclass(frozen=True, slots=True)
class Carry:
    """What one tick hands to the next. ``state`` alone is stored; the rest starts anew.

    ``airs`` holds, by zone, (monotonic time, room air) of the last minutes; ``gap_s`` is, at the
    first tick, the time since the last one of the process before, where it is known [s].
    ``issued_mono_s`` is when the last command was issued, which may be later than the last tick
    that decided [s].
    """

    state: HeaterState
    last_tick: Instant | None = None
    changed_mono_s: float = 0.0
    airs: Airs = field(default_factory=dict)
    gap_s: float | None = None
    issued_mono_s: float | None = None

    @classmethod
    def at_start(cls, stored: HeaterState | None, now: Instant) -> Carry:
        """The first carry of a process: whatever was on before, start means OFF.

        Sequence and time of issue leap over what a killed process may have sent unstored.
        """
        old = stored or HeaterState()
        sequence, issued_s = numbers_at_start(old, now)
        state = replace(old, heating=False, sequence=sequence, issued_s=issued_s)
        return cls(state=state, changed_mono_s=now.mono_s, gap_s=gap_s(old.ticked, now))

    def interrupted(self, now: Instant) -> Carry:
        """The same after an OFF that the relay's connection said by itself.

        A connection that comes and goes must not move the contact at every tick.
        """
        if not self.state.heating:
            return self
        return replace(self, state=replace(self.state, heating=False), changed_mono_s=now.mono_s)


def decide(situation: Situation, carry: Carry) -> tuple[Decision, Carry]:
    """Decide one tick.

    Parameters
    ----------
    situation : Situation
    carry : Carry
        From the last tick, or ``Carry.at_start``.

    Returns
    -------
    Decision
        With the command that the relay is to get after the decision has been stored.
    Carry
        For the next tick; its ``state`` is to be stored with the decision.
    """
    carry = carry.interrupted(situation.now) if situation.interrupted else carry
    memories = carry.state.memories or {}
    situation = replace(situation, sensed=doubted(situation.sensed, memories))
    try:
        airs, estimates, wished = _plan_ahead(situation, carry)
    except Exception as error:  # noqa: BLE001 - frost protection needs no plan and must go on
        situation = replace(situation, notices=(unexpected(error), *situation.notices))
        airs, estimates, wished = carry.airs, (), Wish(False, Rung.FROST_ONLY, BlockReason.IDLE)
    fitted, account = _outputs(situation, carry)
    view = _view(situation, carry, wished, fitted, account)
    ruling = supervise(view, memories, acknowledged=situation.acknowledged)
    heating, gives = carry.state.heating, _gives(situation, wished)
    needy = frost_protection.needy(view)
    steps = sequence(
        fitted, account, ruling, wanted=wished.heat, heating=heating, gives=gives, needy=needy
    )
    ruling = _uncharged(situation, _waiting(ruling, steps))
    command = _command(situation, carry, heat=ruling.heat)
    decision = Decision(
        at=situation.now,
        heater=situation.heater.id,
        zones=tuple(zone.id for zone in situation.zones),
        version=__version__,
        sensed=situation.sensed,
        estimates=estimates,
        wish=wished,
        verdicts=ruling.verdicts,
        deciding=ruling.deciding,
        command=command,
        notices=situation.notices
        + alarms(ruling.verdicts)
        + ((FROST_WAITS,) if steps.late else ()),
        outputs=_output_commands(fitted, steps, command),
    )
    if fitted.outputs:
        # stored with the ON itself: whoever finds it after a kill owes the overrun
        account = replace(steps.account, since_heat_s=0.0) if ruling.heat else steps.account
        memories = {**ruling.memories, outputs.NAME: account.remembered()}
        ruling = replace(ruling, memories=memories)
    return decision, _next_carry(situation, carry, ruling, command, airs)


def _waiting(ruling: Ruling, steps: Steps) -> Ruling:
    """The ruling, with what its heat still waits for."""
    if steps.waiting is None:
        return ruling
    verdicts = (*ruling.verdicts, steps.waiting)
    return replace(ruling, heat=False, deciding=steps.waiting, verdicts=verdicts)


def _uncharged(situation: Situation, ruling: Ruling) -> Ruling:
    """The ruling; blind frost heat that neither it nor a lease gives costs nothing."""
    if ruling.heat or not situation.relay_reachable:
        return ruling
    frost = frost_protection.withheld(ruling.memories.get(frost_protection.NAME, {}))
    return replace(ruling, memories={**ruling.memories, frost_protection.NAME: frost})


def _gives(situation: Situation, wished: Wish) -> frozenset[str] | None:
    """The zones that the plan's heat is for; None for all: below the plan each is a guess."""
    plan = situation.plan if wished.rung is Rung.PROGRAMME else None
    return frozenset(plan.gives) if plan is not None and plan.gives else None


def _plan_ahead(situation: Situation, carry: Carry) -> tuple[Airs, tuple[Estimate, ...], Wish]:
    """Everything in a tick that rules do not need: smoothed air, estimates, the wish."""
    airs = _recent_airs(situation, carry)
    estimates = tuple(_estimate(situation, zone, airs) for zone in situation.zones)
    return airs, estimates, wish(_outlook(situation, carry, estimates))


def share_of_power(zone: Zone, zones: tuple[Zone, ...]) -> float:
    """The part of a heater's output that goes to one of its zones: by floor area."""
    return zone.floor.area_m2 / sum(z.floor.area_m2 for z in zones)


def _recent_airs(situation: Situation, carry: Carry) -> Airs:
    """The last minutes of room air by zone, with this tick's value where one is due."""
    mono_s = situation.now.mono_s
    airs = {}
    for zone in situation.zones:
        kept = tuple(p for p in carry.airs.get(zone.id, ()) if mono_s - p[0] <= SMOOTHING_S)
        value = _mean(situation.sensed, Role.AIR, zone.id)
        if value is not None and (not kept or mono_s - kept[-1][0] >= SAMPLE_S):
            kept = (*kept, (mono_s, value))
        airs[zone.id] = kept
    return airs


def _mean(sensed: tuple[Sensed, ...], role: Role, subject: str) -> float | None:
    """The mean of a role's trusted values, None where there are none."""
    values = [s.value for s in sensed if s.role is role and s.subject == subject and s.trusted]
    known = [v for v in values if v is not None]
    return statistics.fmean(known) if known else None


def _estimate(situation: Situation, zone: Zone, airs: Airs) -> Estimate:
    recent = [value for _, value in airs[zone.id]]
    parameters = situation.parameter_sets.get(zone.id)
    arrival = _arrival(situation, zone)
    return Estimate(
        zone=zone.id,
        air_c=statistics.median(recent) if recent else None,
        slab_c=_mean(situation.sensed, Role.SLAB, zone.id),
        parameter_set=parameters.id if parameters else "",
        arrival_c=arrival.air_c if arrival else None,
        arrival_low_c=arrival.low_c if arrival else None,
        arrival_high_c=arrival.high_c if arrival else None,
    )


def _arrival(situation: Situation, zone: Zone) -> Arrival | None:
    """What the plan expects of the zone's next session."""
    own = tuple(s for s in situation.sessions if s.zone == zone.id)
    session = aimed_at(own, situation.now.utc_s)
    if session is None or situation.plan is None:
        return None
    arrivals = [a for o in situation.plan.outlooks if o.zone == zone.id for a in o.arrivals]
    return next((a for a in arrivals if a.session == session.id), None)


def _outlook(situation: Situation, carry: Carry, estimates: tuple[Estimate, ...]) -> Outlook:
    rating_w = situation.heater.rating_w
    return Outlook(
        utc_s=situation.now.utc_s,
        plan=situation.plan,
        sessions=situation.sessions,
        estimates={e.zone: e for e in estimates},
        parameter_sets=situation.parameter_sets,
        outdoor_c=_mean(situation.sensed, Role.OUTDOOR, "outdoor"),
        zone_power_w={z.id: rating_w * share_of_power(z, situation.zones) for z in situation.zones},
        heating=carry.state.heating,
    )


def _elapsed_s(situation: Situation, carry: Carry) -> float:
    """Monotonic time since the last tick of this process, 0 at its first [s]."""
    return situation.now.mono_s - carry.last_tick.mono_s if carry.last_tick else 0.0


def _outputs(situation: Situation, carry: Carry) -> tuple[Fitted, Account]:
    """Pump and valves, and how long each has been told what it is told."""
    switched = Fitted(situation.heater, situation.loops)
    ids = {output.id for output in switched.outputs}
    sensed = tuple(s for s in situation.sensed if s.subject in ids)
    account = Account.at(
        switched,
        (carry.state.memories or {}).get(outputs.NAME, {}),
        elapsed_s=_elapsed_s(situation, carry),
        heating=carry.state.heating,
        deaf=situation.deaf,
    )
    return replace(switched, sensed=sensed), account


def _view(
    situation: Situation, carry: Carry, wished: Wish, fitted: Fitted, account: Account
) -> SafetyView:
    now, last = situation.now, carry.last_tick
    elapsed_s = _elapsed_s(situation, carry)
    utc_step_s = now.utc_s - last.utc_s - elapsed_s if last else 0.0
    return SafetyView(
        now=now,
        elapsed_s=elapsed_s,
        utc_step_s=utc_step_s,
        limits=situation.limits,
        # what proves a pump says nothing of the heater
        sensed=tuple(s for s in situation.sensed if s not in fitted.sensed),
        zones=tuple(zone.id for zone in situation.zones),
        rating_w=situation.heater.rating_w,
        in_session=frozenset(
            s.zone for s in situation.sessions if s.start_s <= now.utc_s < s.end_s
        ),
        heat_wanted=wished.heat,
        heating=carry.state.heating,
        command_age_s=now.mono_s - carry.changed_mono_s,
        latched=carry.state.latched,
        relay_reachable=situation.relay_reachable,
        relay_holds_s=situation.heater.relay.holds_s,
        gap_s=carry.gap_s,
        supply_limit_c=situation.heater.supply_limit_c,
        zone_facts={zone.id: zone_facts(zone) for zone in situation.zones},
        loop_facts={
            loop.id: loop_facts(loop, situation.heater, situation.loops) for loop in situation.loops
        },
        faulty=any(n.kind is NoticeKind.UNEXPECTED_ERROR for n in situation.notices),
        pump=account.pump_view(fitted),
        proofs=fitted.sensed,
        switched=fitted.names,
        shut=account.shut_zones(fitted),
    )


def _command(situation: Situation, carry: Carry, *, heat: bool) -> Command:
    """The next command, numbered above all before it."""
    sequence, issued_s = next_numbers(carry.state, situation.now, carry.issued_mono_s)
    return Command(
        heater=situation.heater.id,
        heat=heat,
        sequence=sequence,
        issued_s=issued_s,
        lease_s=LEASE_S if heat else 0.0,
    )


def _output_commands(fitted: Fitted, steps: Steps, command: Command) -> tuple[OutputCommand, ...]:
    """What pump and valves are told, under the sequence and time of the heater's command."""
    return tuple(
        OutputCommand(
            output=output.id,
            on=steps.told[output.id][0],
            reason=steps.told[output.id][1],
            sequence=command.sequence,
            issued_s=command.issued_s,
            lease_s=steps.leases_s[output.id] if steps.told[output.id][0] else 0.0,
        )
        for output in fitted.outputs
    )


def _next_carry(
    situation: Situation,
    carry: Carry,
    ruling: Ruling,
    command: Command,
    airs: Airs,
) -> Carry:
    changed = ruling.heat != carry.state.heating
    state = HeaterState(
        sequence=command.sequence,
        issued_s=command.issued_s,
        heating=ruling.heat,
        latched=ruling.latched,
        memories=ruling.memories,
        ticked=situation.now,
    )
    changed_mono_s = situation.now.mono_s if changed else carry.changed_mono_s
    return Carry(state, situation.now, changed_mono_s, airs, issued_mono_s=situation.now.mono_s)
