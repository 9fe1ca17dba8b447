"""The judge of every scenario: what came to the relay, what was true, what stands in the record.

It reads the bytes that reached the relay board, the contact, the simulated plant's own truth and,
through the read-only reader, the stored decisions. It asks the guard nothing.
"""

from __future__ import annotations

import bisect
import itertools
import json
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from controller.records.decision import Decision, NoticeKind
from controller.records.safety import Severity
from controller.records.site import Role
from controller.store import open_reader
from tests.scenarios.stage import Minute, Stage

SENSED_K = 0.5
"""How far a sound sensor may read off: offset, noise, step and the minute between two values."""
SENT_S = 130.0
"""A hot pipe that has been hot for so long has been told to the service at least once [s]."""
SMOOTHED_S = 1200.0
HOUR_S = 3600.0
RHYTHM = "short_cycle"
"""It comes and goes with each plan, and says nothing of a fault."""


@dataclass(frozen=True, slots=True)
class Told:
    """One command as it came to the board."""

    at_s: float
    heat: bool
    sequence: int
    lease_s: float
    accepted: bool


class Story:
    """What a play came to, for one heater.

    Parameters
    ----------
    stage : Stage
    heater : str
    """

    def __init__(self, stage: Stage, heater: str = "boiler") -> None:
        self._stage, self._heater = stage, heater
        self._tick_s = stage.setting.tick_s
        self.contact = stage.contacts[heater]
        self.told = [_told(h.at_s, h.payload, h.accepted) for h in stage.lines[heater].heard]
        reader = open_reader(stage.configuration.store)
        try:
            found = reader.decisions(-1e12, 1e12, heater=heater)
        finally:
            reader.close()
        # by sequence: that runs on whatever the wall clock does
        self.decisions = sorted(found, key=lambda d: d.command.sequence)

    # --- the record -----------------------------------------------------------------------------

    def reasons(self) -> dict[str, int]:
        """How often each rule came to each objection: "rule reason" or "rule reason LOCKOUT"."""
        counts = Counter(_newly(map(_objections, self.decisions)))
        return {name: n for name, n in sorted(counts.items()) if not name.startswith(RHYTHM)}

    def troubles(self) -> dict[str, int]:
        """The same without the rest that long heat comes to where a seed's heater is weak."""
        return {name: n for name, n in self.reasons().items() if name != "maximum_run resting"}

    def notices(self) -> dict[str, int]:
        """How often each kind of standing fact came up."""
        return dict(sorted(Counter(_newly(map(_kinds, self.decisions))).items()))

    def rungs(self) -> list[str]:
        """The rungs that the wish stood on, in their order."""
        rungs = [d.wish.rung.value for d in self.decisions]
        return [r for i, r in enumerate(rungs) if i == 0 or r != rungs[i - 1]]

    def rows_with(self, rule: str, reason: str) -> list[Decision]:
        """The rows in which a rule objects for a reason."""
        return [
            d
            for d in self.decisions
            if any(
                v.rule == rule and v.reason == reason and v.severity >= Severity.WARN
                for v in d.verdicts
            )
        ]

    # --- the relay ------------------------------------------------------------------------------

    def on_s(self, since_s: float = 0.0, until_s: float = 1e12) -> float:
        """How long the circuit was closed between two moments of the stage [s]."""
        ticks = [i * self._tick_s for i, closed in enumerate(self.contact) if closed]
        return self._tick_s * sum(since_s <= at_s < until_s for at_s in ticks)

    def spans_s(self, output: str) -> list[tuple[float, float]]:
        """From when to when a pump ran or a valve was open [stage's s]."""
        spans, number = [], 0
        for moves, run in itertools.groupby(self._stage.contacts[output]):
            count = len(list(run))
            if moves:
                spans.append((number * self._tick_s, (number + count) * self._tick_s))
            number += count
        return spans

    def off_after_s(self, moment_s: float) -> float:
        """Time from a moment of the stage until the circuit was first seen open [s].

        As if what happened then had happened right after the tick before: the worst case.
        """
        first = round(moment_s / self._tick_s)
        for number, closed in enumerate(self.contact[first:]):
            if not closed:
                return (number + 1) * self._tick_s
        raise AssertionError(f"the heater was not off after {moment_s:.0f} s")

    def hottest_hour_s(self, since_s: float = 0.0, until_s: float = 1e12) -> float:
        """The most heat in any hour between two moments [s]."""
        width = round(HOUR_S / self._tick_s)
        on = [
            closed and since_s <= i * self._tick_s < until_s
            for i, closed in enumerate(self.contact)
        ]
        starts = range(max(1, len(on) - width))
        sums = [0]
        for closed in on:
            sums.append(sums[-1] + closed)
        return self._tick_s * max(sums[min(i + width, len(on))] - sums[i] for i in starts)

    # --- the truth ------------------------------------------------------------------------------

    def highest(self, role: Role, since_s: float = 0.0, *, zone: str | None = None) -> float:
        """The highest true value of a role, of all zones or one [°C; bar]."""
        return max(self._values(self._since(since_s), role, zone))

    def lowest(self, role: Role, since_s: float = 0.0, *, zone: str | None = None) -> float:
        """The lowest true value of a role, of all zones or one [°C; bar]."""
        return min(self._values(self._since(since_s), role, zone))

    def room_c(self, wall_time: str, *, zone: str | None = None) -> float:
        """True room air, smoothed over the 20 minutes before a wall time [°C]."""
        utc_s = self._stage.utc_s(wall_time)
        span = [m for m in self._stage.minutes if utc_s - SMOOTHED_S <= m.utc_s <= utc_s]
        airs = list(self._values(span, Role.AIR, zone))
        return sum(airs) / len(airs)

    def _values(
        self, minutes: Iterable[Minute], role: Role, zone: str | None = None
    ) -> Iterator[float]:
        for minute in minutes:
            for key, value in minute.truth[self._heater].items():
                name, _, subject = key.partition("@")
                if name == role.value and (zone is None or zone == subject):
                    yield value

    def _since(self, since_s: float) -> list[Minute]:
        return [m for m in self._stage.minutes if m.at_s >= since_s]

    # --- what holds in every play ---------------------------------------------------------------

    def judge(self, *, but: Iterable[str] = ()) -> Story:
        """Demand what must hold in every scenario, but for the demands named.

        Raises
        ------
        AssertionError
            Naming the demand that was not met.
        """
        demands = {
            "lease": self._demand_leases,
            "record": self._demand_record,
            "lockout": self._demand_lockouts,
            "limits": self._demand_limits,
            "no heat on a hot pipe": self._demand_no_heat_on_hot,
            "no freezing": self._demand_no_freezing,
            "no heat on the unknown": self._demand_known,
            "flow": self._demand_flow,
        }
        assert set(but) <= set(demands)
        for name, demand in demands.items():
            if name not in set(but):
                for fault in demand():
                    raise AssertionError(f"{name}: {fault} (seed {self._stage.seed})")
        return self

    def _demand_leases(self) -> Iterator[str]:
        """The circuit is closed only within a lease of the last renewal that the board took."""
        events = [t for t in self.told if t.accepted]
        times = [t.at_s for t in events]
        for number, closed in enumerate(self.contact):
            at_s = number * self._tick_s
            last = bisect.bisect_right(times, at_s) - 1
            covered = last >= 0 and events[last].heat and at_s - times[last] < events[last].lease_s
            if closed and not covered:
                yield f"the heater is on without a lease at {at_s:.0f} s"

    def _demand_record(self) -> Iterator[str]:
        """Each change of what the relay is told stands in the record under its own number."""
        stored = {d.command.sequence: d.command.heat for d in self.decisions}
        before = False
        for told in self.told:
            if told.heat != before and stored.get(told.sequence) is not told.heat:
                yield f"command {told.sequence} at {told.at_s:.0f} s is not in the record"
            before = told.heat

    def _demand_lockouts(self) -> Iterator[str]:
        """After a recorded lockout nothing switches on until an acknowledgement is recorded."""
        locked = False
        for decision in self.decisions:
            locked = locked and "acknowledged" not in _kinds(decision)
            locked = locked or any(v.severity is Severity.LOCKOUT for v in decision.verdicts)
            if locked and decision.command.heat:
                yield f"heat in a lockout at {decision.at}"
        spans = [(d.command.sequence, _is_locked(d)) for d in self.decisions]
        numbers = [number for number, _ in spans]
        for told in self.told:
            last = bisect.bisect_right(numbers, told.sequence) - 1
            if told.heat and last >= 0 and spans[last][1]:
                yield f"ON sent in a lockout at {told.at_s:.0f} s"

    def _demand_limits(self) -> Iterator[str]:
        """Slab, supply and floor surface stay within their limits in truth."""
        limits = self._stage.configuration.limits
        bounds = {
            Role.SLAB: limits.slab_max_c,
            Role.SUPPLY: limits.supply_max_c,
            Role.FLOOR_SURFACE: limits.surface_max_c,
        }
        for role, bound_c in bounds.items():
            if self.highest(role) > bound_c:
                yield f"{role.value} reached {self.highest(role):.1f} °C"

    def _demand_no_heat_on_hot(self) -> Iterator[str]:
        """No ON comes to a relay whose slab or supply has been above its limit for a while."""
        limits, minutes = self._stage.configuration.limits, self._stage.minutes
        times = [m.at_s for m in minutes]
        for role, bound_c in (
            (Role.SLAB, limits.slab_max_c),
            (Role.SUPPLY, limits.supply_max_c),
        ):
            hot = [max(self._values([m], role)) > bound_c + SENSED_K for m in minutes]
            for told in self.told:
                first = bisect.bisect_left(times, told.at_s - SENT_S)
                last = bisect.bisect_right(times, told.at_s)
                if told.heat and last > first and all(hot[first:last]):
                    yield f"ON at {told.at_s:.0f} s while {role.value} is too hot"

    def _demand_no_freezing(self) -> Iterator[str]:
        """Slab and returning fluid stay above 0 °C."""
        for role in (Role.SLAB, Role.RETURN):
            if self.lowest(role) <= 0.0:
                yield f"{role.value} fell to {self.lowest(role):.1f} °C"

    def _demand_known(self) -> Iterator[str]:
        """With a slab sensor long silent, no hour holds more heat than the blind duty."""
        stage, limits = self._stage, self._stage.configuration.limits
        site = stage.configuration.site
        fitted = site.sensors_of(site.heater(self._heater))
        slabs = [s.id for s in fitted if s.role is Role.SLAB]
        begin_s = stage.began_utc_s
        for sensor in slabs:
            sent = [-1e12, *(t - begin_s for t in stage.wires.sent[sensor]), stage.at_s]
            for silent_s, heard_s in itertools.pairwise(sent):
                since_s = max(0.0, silent_s) + limits.stale_after_s + 2.0 * self._tick_s
                spent_s = self.hottest_hour_s(since_s, heard_s) if heard_s > since_s else 0.0
                if spent_s > limits.blind_duty_s + self._tick_s:
                    yield f"{spent_s:.0f} s of heat in an hour with {sensor} silent"

    def _demand_flow(self) -> Iterator[str]:
        """Where pump and valves are switched: fluid goes round before heat, and after it."""
        site, contacts = self._stage.configuration.site, self._stage.contacts
        heater = site.heater(self._heater)
        loops, ticks = site.loops_of(heater), range(len(self.contact))
        valves = [loop.valve for loop in loops]
        open_at = [any(v is None or contacts[v.id][n] for v in valves) for n in ticks]
        runs_at = contacts[heater.pump.id] if heater.pump else [True] * len(ticks)
        after_s = min((v.close_after_s if v else 0.0 for v in valves), default=0.0)
        overrun_s = heater.pump.overrun_s if heater.pump else after_s
        for number, (before, closed) in enumerate(itertools.pairwise(self.contact), 1):
            at_s, flows = number * self._tick_s, open_at[number] and runs_at[number]
            if closed and not before and not flows:
                yield f"heat begins at {at_s:.0f} s without flow"
            after = slice(number, number + round(overrun_s / self._tick_s))
            if before and not closed and not (all(runs_at[after]) and all(open_at[after])):
                yield f"flow ends before its overrun after {at_s:.0f} s"


def _told(at_s: float, payload: bytes, accepted: bool) -> Told:
    fields = json.loads(payload)
    lease_s = float(fields.get("lease_s", 0.0))
    return Told(at_s, fields["heat"], fields["seq"], lease_s, accepted)


def _objections(decision: Decision) -> set[str]:
    found = set()
    for verdict in decision.verdicts:
        if verdict.severity >= Severity.WARN:
            grave = " LOCKOUT" if verdict.severity is Severity.LOCKOUT else ""
            found.add(f"{verdict.rule} {verdict.reason}{grave}")
    return found


def _kinds(decision: Decision) -> set[str]:
    return {NoticeKind(notice.kind).value for notice in decision.notices}


def _is_locked(decision: Decision) -> bool:
    return any(v.severity is Severity.LOCKOUT for v in decision.verdicts)


def _newly(sets: Iterable[set[str]]) -> Iterator[str]:
    """Each name as often as it comes up: in one set, and not in that before."""
    before: set[str] = set()
    for now in sets:
        yield from sorted(now - before)
        before = now
