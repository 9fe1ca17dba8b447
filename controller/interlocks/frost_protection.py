"""Frost protection: the one rule that asks for heat.

With a trustworthy slab reading it heats until everything is warm again. Without one it is
*blind* and may spend only a bounded duty in each hour; what is spent is stored, and a store
that cannot be read counts as spent for the first hour, so that no crash loop refills it. An hour
begins with its first second of blind heat.
"""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.limits import LEASE_S
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "frost_protection"
WINDOW_S = 3600.0
AIR_PATIENCE_S = 1800.0
"""Cold air over a warm slab is an open door until it has lasted this long [s]."""
WARM_ROOM_C = 15.0
"""No slab near freezing lies under a room as warm as this [°C]."""
ENOUGH_SLAB_C = 25.0
"""A slab this warm gives off all that frost protection needs, whatever the air sensor says [°C]."""
UNRECORDED_S = LEASE_S + 60.0
"""Longest heat after the last row of a process that was killed: a lease, and the time between two
rows [s]."""

SENTENCES = {
    "clear": "Nothing that is known is near freezing.",
    "cold": "The coldest of slab, air and return is at {coldest_c:.1f} °C: frost protection heats "
    "below {on_c:.1f} °C until {off_c:.1f} °C.",
    "blind": "No slab reading can be trusted and frost cannot be ruled out: heat for at most "
    "{duty_s:.0f} s an hour, {spent_s:.0f} s of it spent.",
    "blind_spent": "No slab reading can be trusted and frost cannot be ruled out, but this hour's "
    "{duty_s:.0f} s of blind heat are spent.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Ask for heat below ``limits.frost_on_c``, until ``limits.frost_off_c`` is reached."""
    sighted = all(_is_sighted(view, zone) for zone in view.zones)
    budget = _budget(view, memory)
    lasting = {"cold_air_s": _cold_air_s(view, memory), "unseen_s": _unseen_s(view, memory)}
    active = _is_cold(view, bool(memory.get("active")), sighted=sighted, **lasting)
    remembered = {**budget, **lasting, "active": float(active), "asking": 0.0}
    if not active:
        return allow(NAME), remembered
    if sighted:
        return _verdict(view, Severity.FROST, "cold", _numbers(view)), remembered
    duty_s = view.limits.blind_duty_s
    values = {"duty_s": duty_s, "spent_s": budget["spent_s"]}
    if not budget["spent_s"] < duty_s:
        return _verdict(view, Severity.OFF, "blind_spent", values), remembered
    return _verdict(view, Severity.FROST, "blind", values), {**remembered, "asking": 1.0}


def _is_sighted(view: SafetyView, zone: str) -> bool:
    """Whether a zone's slab can be believed: one near freezing under a warm room cannot.

    A slab sensor that has failed cold must not heat without bound.
    """
    slabs, airs = view.values(Role.SLAB, zone), view.values(Role.AIR, zone)
    failed_cold = (
        min(slabs, default=0.0) < view.limits.frost_on_c <= WARM_ROOM_C <= min(airs, default=0.0)
    )
    return bool(slabs) and not failed_cold


def _verdict(
    view: SafetyView, severity: Severity, reason: str, values: dict[str, float]
) -> Verdict:
    return Verdict(NAME, severity, reason, Clears.WHEN_CLEAR, values=values)


def _numbers(view: SafetyView) -> dict[str, float]:
    limits = view.limits
    return {
        "coldest_c": min(_temperatures(view)),
        "on_c": limits.frost_on_c,
        "off_c": limits.frost_off_c,
    }


def _temperatures(view: SafetyView) -> list[float]:
    return [*view.values(Role.SLAB), *view.values(Role.RETURN), *_telling_airs(view)]


def _telling_airs(view: SafetyView) -> tuple[float, ...]:
    """Room airs that may ask for heat: none of a zone whose slab has long been warm enough.

    An air sensor that has failed cold must not drive the slab into its hard limit and a lockout.
    """
    zones = [
        zone
        for zone in view.zones
        if not min(view.values(Role.SLAB, zone), default=0.0) >= ENOUGH_SLAB_C
    ]
    return tuple(value for zone in zones for value in view.values(Role.AIR, zone))


def _cold_air_s(view: SafetyView, memory: Memory) -> float:
    airs = _telling_airs(view)
    if not airs or min(airs) >= view.limits.frost_on_c:
        return 0.0
    return memory.get("cold_air_s", 0.0) + view.elapsed_s


def _unseen_s(view: SafetyView, memory: Memory) -> float:
    """How long a zone has been without slab and air: 0 while each of them has one of the two."""
    if all(view.values(Role.SLAB, zone) or view.values(Role.AIR, zone) for zone in view.zones):
        return 0.0
    return memory.get("unseen_s", 0.0) + view.elapsed_s


def _is_cold(
    view: SafetyView, active: bool, *, sighted: bool, cold_air_s: float, unseen_s: float
) -> bool:
    """Whether frost protection is due: by slab or return at once, by air once it is no door.

    A zone of which nothing is known counts as cold with the weather, once it has been so for as
    long as a reading may be old: right after a start, readings are merely on their way.
    """
    limits = view.limits
    if unseen_s >= limits.stale_after_s:
        outdoors = view.values(Role.OUTDOOR)
        if not outdoors or min(outdoors) < limits.frost_off_c:
            return True
    if active:
        known = _temperatures(view)
        return not known or min(known) < limits.frost_off_c
    fluid_and_slab = [*view.values(Role.SLAB), *view.values(Role.RETURN)]
    if fluid_and_slab and min(fluid_and_slab) < limits.frost_on_c:
        return True
    airs = _telling_airs(view)
    cold_air = bool(airs) and min(airs) < limits.frost_on_c
    return cold_air and (not sighted or cold_air_s >= AIR_PATIENCE_S)


def _budget(view: SafetyView, memory: Memory) -> dict[str, float]:
    """The hour's account. Time that no tick has seen neither spends nor refills it."""
    window_s, spent_s = memory.get("window_s", -1.0), memory.get("spent_s", -1.0)
    if not (window_s >= 0.0 and spent_s >= 0.0):
        return {"window_s": 0.0, "spent_s": view.limits.blind_duty_s}
    just_started = view.elapsed_s == 0.0
    if memory.get("asking"):
        # a process that was killed in the middle of blind heat leaves the relay to its lease
        spent_s += UNRECORDED_S if just_started else view.elapsed_s
    window_s += view.elapsed_s
    if window_s >= WINDOW_S or spent_s == 0.0:
        return {"window_s": 0.0, "spent_s": 0.0}
    return {"window_s": window_s, "spent_s": spent_s}
