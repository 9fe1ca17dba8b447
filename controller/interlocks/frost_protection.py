"""Frost protection: the one rule that asks for heat.

With a trustworthy slab reading it heats until everything is warm again. Without one it is
*blind* and may spend only a bounded duty in any hour, heat that the minimum on time keeps going
included, and begins only with enough of it left for the minimum on time: what becomes free a
minute at a time would be given in bursts that switch the boiler and warm nothing. What is spent
is stored minute by minute, and a store that cannot be read counts as spent for the first hour, so
that no crash loop refills it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from controller.interlocks.rule import allow
from controller.interlocks.slab_over_temperature import NEAR_K
from controller.records.limits import LEASE_S, TICK_S
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "frost_protection"
MINUTE_S = 60.0
WINDOW_MINUTES = 60
AIR_PATIENCE_S = 1800.0
"""Cold air over a warm slab is an open door until it has lasted this long [s]."""
WARM_ROOM_C = 15.0
"""No slab near freezing lies under a room as warm as this [°C]."""
COOLED_K = 2.0
"""How far a room must cool below that before such a slab is believed again: blind heat may warm
the room back and forth across it [K]; common practice, no source."""
ENOUGH_SLAB_C = 25.0
"""A slab this warm gives off all that frost protection needs, whatever air or return say [°C]."""
BELOW_LIMIT_K = 5.0
"""How far below a limit of its own a slab is warm enough too (chosen here) [K]: what is in the
tubes still arrives, and a lockout would take frost protection away."""
AGAIN_K = 2.0
"""What waits for a slab to cool waits for so much: else the boiler would be switched at every
flicker of the slab's reading [K]; common practice, no source."""
UNRECORDED_S = LEASE_S + 70.0
"""Longest heat after the last row of a process that was killed: a lease, and the time between two
rows [s]."""
UNLIKELY_S = 4 * 3600.0
"""So long no room stays near freezing over a slab as warm as that: then the slab is doubted [s]."""
RESTART_S = 120.0
"""A pause between two processes up to which cold air or blindness counts as going on [s]."""

_WARM, _FULL = "warm:", "full:"
"""Marks of zones, before their ids: a warm room, and a slab that may not become warmer."""
_SPENT = "spent_"
_MINUTES = tuple(f"{_SPENT}{number:02d}" for number in range(WINDOW_MINUTES + 1))
"""Names of the account's minutes: of the running one, then each older one."""

SENTENCES = {
    "clear": "Nothing that is known is near freezing.",
    "cold": "The coldest of slab, air and return is at {coldest_c:.1f} °C: frost protection heats "
    "below {on_c:.1f} °C until {off_c:.1f} °C.",
    "blind": "No slab reading can be trusted and frost cannot be ruled out: heat for at most "
    "{duty_s:.0f} s an hour, {spent_s:.0f} s of it spent.",
    "kept_spent": "Heat that was begun without a slab reading that can be trusted ends, minimum on "
    "time or not: this hour's {duty_s:.0f} s of it are spent.",
    "next_door": "Frost protection asks for heat, but the same heat would bring the slab of "
    "{subject}, at {warmest_c:.1f} °C, above its limit.",
    "blind_spent": "No slab reading can be trusted and frost cannot be ruled out, but this hour's "
    "{duty_s:.0f} s of blind heat are spent.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Ask for heat below ``limits.frost_on_c``, until ``limits.frost_off_c`` is reached."""
    unlikely_s = _unlikely_s(view, memory)
    unlikely = unlikely_s >= UNLIKELY_S
    warm_rooms = _warm_rooms(view, memory)
    full_zones = _full_zones(view, memory, doubted=unlikely)
    sighted = not unlikely and all(_is_sighted(view, zone, warm_rooms) for zone in view.zones)
    account = _account(view, memory)
    spent_s = _spent_s(account)
    lasting = {"cold_air_s": _cold_air_s(view, memory), "unseen_s": _unseen_s(view, memory)}
    active = unlikely or _is_cold(view, bool(memory.get("active")), sighted=sighted, **lasting)
    remembered = {
        **account, **lasting, **warm_rooms, **full_zones,
        "unlikely_s": unlikely_s, "active": float(active), "asking": 0.0,
    }  # fmt: skip
    duty_s = view.limits.blind_duty_s
    values = {"duty_s": duty_s, "spent_s": spent_s}
    # a tick's heat is counted at the next one
    needed_s = TICK_S if memory.get("asking") else min(view.limits.min_on_s, duty_s)
    left = spent_s + needed_s <= duty_s
    if active and full_zones:
        return _next_door(view, full_zones), remembered
    if active and sighted:
        return _verdict(view, Severity.FROST, "cold", _numbers(view)), remembered
    if active:
        if not left:
            return _verdict(view, Severity.OFF, "blind_spent", values), remembered
        return _verdict(view, Severity.FROST, "blind", values), {**remembered, "asking": 1.0}
    if not _keeps_blind_heat(view, memory):
        return allow(NAME), remembered
    if not left:
        return _verdict(view, Severity.OFF, "kept_spent", values), remembered
    return allow(NAME), {**remembered, "asking": 1.0}


def withheld(memory: Memory) -> Memory:
    """What it remembers of a tick in which heat was not given, whatever it asked for.

    A trip, or a wait for valve and pump, must not spend the budget: the hour after it would be
    without heat.
    """
    return {**memory, "asking": 0.0} if memory.get("asking") else memory


def _keeps_blind_heat(view: SafetyView, memory: Memory) -> bool:
    """Whether heat that was begun blind is kept by nothing but the minimum on time."""
    return bool(memory.get("asking")) and view.heating and not view.heat_wanted


def needy(view: SafetyView) -> frozenset[str]:
    """The zones that frost heat may be for: all but those with a warm slab under a warm room.

    Heat for one zone must not drive another's slab into its hard limit.
    """
    return frozenset(zone for zone in view.zones if not _is_well(view, zone)) or frozenset(
        view.zones
    )


def _is_well(view: SafetyView, zone: str) -> bool:
    warm_enough = _slab_c(view, zone) >= _enough_c(view)
    airs = view.values(Role.AIR, zone)
    return warm_enough and min(airs, default=math.inf) >= view.limits.frost_on_c


def _full_zones(view: SafetyView, memory: Memory, *, doubted: bool) -> dict[str, float]:
    """The zones that heat would reach and whose slabs are as warm as they may become, as marks.

    Where a warm slab under a cold room is ``doubted``, those under warm rooms are left.
    """
    limit_c = min(view.limits.slab_max_c, view.limits.surface_max_c) - NEAR_K
    marks = {}
    for zone in view.zones:
        mark = _FULL + zone
        above_c = limit_c - (AGAIN_K if mark in memory else 0.0)
        warm = _is_well(view, zone) if doubted else _slab_c(view, zone) >= _enough_c(view)
        if warm and zone not in view.shut and _warmest_slab_c(view, zone) > above_c:
            marks[mark] = 1.0
    return marks


def _warmest_slab_c(view: SafetyView, zone: str) -> float:
    """The warmest slab reading of a zone that has one [°C]."""
    return max(view.values(Role.SLAB, zone))


def _warm_rooms(view: SafetyView, memory: Memory) -> dict[str, float]:
    """The zones whose rooms are warm, as marks for the memory."""
    marks = {}
    for zone in view.zones:
        mark, airs = _WARM + zone, view.values(Role.AIR, zone)
        from_c = WARM_ROOM_C - (COOLED_K if mark in memory else 0.0)
        if airs and min(airs) >= from_c:
            marks[mark] = 1.0
    return marks


def _is_sighted(view: SafetyView, zone: str, warm_rooms: Mapping[str, float]) -> bool:
    """Whether a zone's slab can be believed: one near freezing under a warm room cannot.

    A slab sensor that has failed cold must not heat without bound.
    """
    slabs, warm_room = view.values(Role.SLAB, zone), _WARM + zone in warm_rooms
    return bool(slabs) and not (warm_room and min(slabs) < view.limits.frost_on_c)


def _slab_c(view: SafetyView, zone: str) -> float:
    """The coldest slab reading of a zone [°C]; below all others where there is none."""
    return min(view.values(Role.SLAB, zone), default=-math.inf)


def _verdict(
    view: SafetyView, severity: Severity, reason: str, values: dict[str, float]
) -> Verdict:
    return Verdict(NAME, severity, reason, Clears.WHEN_CLEAR, values=values)


def _next_door(view: SafetyView, full_zones: Mapping[str, float]) -> Verdict:
    zone = min(full_zones).removeprefix(_FULL)
    values = {"warmest_c": _warmest_slab_c(view, zone)}
    return Verdict(NAME, Severity.OFF, "next_door", Clears.WHEN_CLEAR, zone, values)


def _numbers(view: SafetyView) -> dict[str, float]:
    limits = view.limits
    return {
        "coldest_c": min(_temperatures(view, active=True)),
        "on_c": limits.frost_on_c,
        "off_c": limits.frost_off_c,
    }


def _temperatures(view: SafetyView, *, active: bool) -> list[float]:
    returns = _telling_returns(view, active=active)
    return [*view.values(Role.SLAB), *returns, *_telling_airs(view)]


def _enough_c(view: SafetyView) -> float:
    """From which slab on air and return alone ask for no more heat [°C]."""
    limit_c = min(view.limits.slab_max_c, view.limits.surface_max_c)
    return min(ENOUGH_SLAB_C, limit_c - BELOW_LIMIT_K)


def _telling_airs(view: SafetyView) -> tuple[float, ...]:
    """Room airs that may ask for heat: none of a zone whose slab has long been warm enough.

    An air sensor that has failed cold must not drive the slab into its hard limit and a lockout.
    """
    enough_c = _enough_c(view)
    zones = [zone for zone in view.zones if _slab_c(view, zone) < enough_c]
    return tuple(value for zone in zones for value in view.values(Role.AIR, zone))


def _telling_returns(view: SafetyView, *, active: bool) -> tuple[float, ...]:
    """Returns that may ask for heat: none that comes out of a slab which is warm enough.

    A pipe sensor that has come off hangs in the cold beside the boiler. It must not drive the
    slab into its hard limit, whose lockout would take frost protection away.
    """
    enough_c = _enough_c(view) - (0.0 if active else AGAIN_K)
    return tuple(
        s.value
        for s in view.fitted(Role.RETURN)
        if s.trusted and s.value is not None and _warmest_c(view, s.subject) < enough_c
    )


def _warmest_c(view: SafetyView, subject: str) -> float:
    """The warmest slab that the return of a loop, or of a heater, comes from [°C]."""
    facts = view.loop_facts.get(subject)
    zones = view.zones if facts is None else (facts.zone,)
    return max(_slab_c(view, zone) for zone in zones)


def _unlikely_s(view: SafetyView, memory: Memory) -> float:
    """How long room or return have been near freezing over a slab that says it is warm [s].

    A door may stand open for hours, but a slab that stays warm under a room that stays cold has
    most likely failed; so may the other sensor have, which is why the heat is blind. Where it is
    known to be mild outdoors nothing freezes.
    """
    limits, enough_c = view.limits, _enough_c(view)
    warm_under_cold = any(
        _slab_c(view, zone) >= enough_c
        and min(view.values(Role.AIR, zone), default=limits.frost_on_c) < limits.frost_on_c
        for zone in view.zones
    )
    warm_under_cold |= any(
        s.trusted and s.measured < limits.frost_on_c and _warmest_c(view, s.subject) >= enough_c
        for s in view.fitted(Role.RETURN)
    )
    if _is_mild(view) or not warm_under_cold:
        return 0.0
    return memory.get("unlikely_s", 0.0) + _lasted_s(view)


def _cold_air_s(view: SafetyView, memory: Memory) -> float:
    airs = _telling_airs(view)
    if not airs or min(airs) >= view.limits.frost_on_c:
        return 0.0
    return memory.get("cold_air_s", 0.0) + _lasted_s(view)


def _unseen_s(view: SafetyView, memory: Memory) -> float:
    """How long a zone has been without slab and air: 0 while each of them has one of the two."""
    if all(view.values(Role.SLAB, zone) or view.values(Role.AIR, zone) for zone in view.zones):
        return 0.0
    return memory.get("unseen_s", 0.0) + _lasted_s(view)


def _is_cold(
    view: SafetyView, active: bool, *, sighted: bool, cold_air_s: float, unseen_s: float
) -> bool:
    """Whether frost protection is due: by slab or return at once, by air once it is no door.

    A zone of which nothing is known counts as cold with the weather, once it has been so for as
    long as a reading may be old: right after a start, readings are merely on their way.
    """
    limits = view.limits
    if unseen_s >= limits.stale_after_s and not _is_mild(view):
        return True
    if active:
        known = _temperatures(view, active=True)
        return min(known) < limits.frost_off_c if known else not _is_mild(view)
    fluid_and_slab = [*view.values(Role.SLAB), *_telling_returns(view, active=False)]
    if fluid_and_slab and min(fluid_and_slab) < limits.frost_on_c:
        return True
    airs = _telling_airs(view)
    cold_air = bool(airs) and min(airs) < limits.frost_on_c
    return cold_air and (not sighted or cold_air_s >= AIR_PATIENCE_S)


def _is_mild(view: SafetyView) -> bool:
    """Whether it is known that nothing freezes outdoors."""
    outdoors = view.values(Role.OUTDOOR)
    return bool(outdoors) and min(outdoors) >= view.limits.frost_off_c


def _account(view: SafetyView, memory: Memory) -> dict[str, float]:
    """Blind heat by the minute: ``spent_00`` is the running minute's, ``spent_60`` the oldest's.

    A minute's heat counts until all of that minute is an hour old, so no hour, wherever it
    begins, holds more than the duty. Time that nobody can vouch for refills nothing.
    """
    minute_s = memory.get("minute_s", -1.0)
    spent = {key: value for key, value in memory.items() if key.startswith(_SPENT)}
    if not (0.0 <= minute_s < math.inf and all(0.0 <= s < math.inf for s in spent.values())):
        return {"minute_s": 0.0, _MINUTES[1]: view.limits.blind_duty_s}
    passed_s = (view.gap_s or 0.0) if _just_started(view) else view.elapsed_s
    minute_s += passed_s
    older = int(min(minute_s // MINUTE_S, WINDOW_MINUTES + 1.0))
    account = {
        _MINUTES[number + older]: spent[_MINUTES[number]]
        for number in range(WINDOW_MINUTES + 1 - older if spent else 0)
        if _MINUTES[number] in spent
    }
    if memory.get("asking") and _may_heat(view):
        account[_MINUTES[0]] = account.get(_MINUTES[0], 0.0) + _charge_s(view, passed_s)
    return {**account, "minute_s": minute_s % MINUTE_S}


def _may_heat(view: SafetyView) -> bool:
    """Whether heat that was asked for may have come: it could be sent, or the last ON held."""
    told = view.relay_reachable or view.heating or _just_started(view)
    return told or view.command_age_s <= view.relay_holds_s


def _charge_s(view: SafetyView, passed_s: float) -> float:
    """How long blind heat went on: a process that was killed leaves the relay to its lease [s]."""
    if not _just_started(view):
        return passed_s
    return UNRECORDED_S if view.gap_s is None else min(passed_s, UNRECORDED_S)


def _just_started(view: SafetyView) -> bool:
    return view.elapsed_s == 0.0


def _lasted_s(view: SafetyView) -> float:
    """How much longer something has lasted since the last tick, over a quick restart too [s]."""
    if not _just_started(view):
        return view.elapsed_s
    return view.gap_s if view.gap_s is not None and view.gap_s <= RESTART_S else 0.0


def _spent_s(account: Mapping[str, float]) -> float:
    return math.fsum(value for key, value in account.items() if key.startswith(_SPENT))
