"""Floor surface above its limit: a hard limit, for bare feet, glue and boards.

Where no sensor sees it the surface is estimated: what flows up from the slab core to the surface
must leave it for the room, by EN 1264-2's basic characteristic. While a slab warms that is a
little more than the truth.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.interlocks.rule import CONFIRM_S, allow, trip_age_s
from controller.records.readings import Sensed
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict, ZoneFacts
from controller.records.site import Role

NAME = "floor_surface"
SUN_K = 2.0
"""A surface so much warmer than its slab is warmed from above, not by the heater [K]."""
NEAR_K = 1.0
"""How far below the limit that locks out heat stops by a sensor [K]: what is in the slab goes on
to the surface for a while, and a heater that obeys must not end in a lockout."""
COOLING_W_M2K = 6.5
"""From the room to a floor that is colder [W/m2K]: EN 1264-5, from memory."""

SENTENCES = {
    "clear": "The floor surface is at {value_c:.1f} °C, below its limit of {limit_c:.1f} °C.",
    "not_fitted": "No floor surface sensor is fitted, so the surface is estimated from slab and "
    "air.",
    "too_hot": "The floor surface ({subject}) is at {value_c:.1f} °C, above its hard limit of "
    "{limit_c:.1f} °C.",
    "estimated_too_hot": "The floor surface of {subject} must be at about {value_c:.1f} °C by slab "
    "and air, above its hard limit of {limit_c:.1f} °C.",
    "near": "The floor surface ({subject}) is at {value_c:.1f} °C, and the slab may bring "
    "it to its hard limit of {limit_c:.1f} °C: no more heat for now.",
    "sun": "The floor surface ({subject}) is at {value_c:.1f} °C, above its limit of "
    "{limit_c:.1f} °C and warmer than its slab: the sun, or a sensor that fails. No heat but frost "
    "protection.",
    "unknown": "The floor surface is neither measured nor to be estimated, so it cannot be called "
    "too hot.",
}


class _Surface(NamedTuple):
    """One zone's surface: its temperature, the limit in force, and the sensor if there is one."""

    zone: str
    value_c: float
    limit_c: float
    sensor: Sensed | None


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip above the limit of the moment; lock out where ``limits.surface_max_c`` is confirmed.

    A session that begins on a warm floor lowers the limit at once: that is no fault of the
    heating, so the session's limit never locks out. Neither does an estimate. What is warmer than
    its own slab the heater has not warmed: that withholds heat, but not frost protection.
    """
    surfaces = [surface for zone in view.zones if (surface := _surface(view, zone))]
    if not surfaces:
        return allow(NAME, "unknown"), {}
    fitted = bool(view.fitted(Role.FLOOR_SURFACE))
    worst = max(surfaces, key=lambda s: (*_weight(view, s), s.value_c - s.limit_c))
    values = {"value_c": worst.value_c, "limit_c": worst.limit_c}
    subject = worst.sensor.sensor if worst.sensor else worst.zone
    over_s, confirmed = _confirmed(view, memory, surfaces)
    remembered = {} if over_s is None else {"over_s": over_s}
    if _near(view, worst):
        return Verdict(NAME, Severity.OFF, "near", Clears.WHEN_CLEAR, subject, values), remembered
    if worst.value_c <= worst.limit_c:
        reason = "clear" if fitted else "not_fitted"
        return Verdict(NAME, Severity.ALLOW, reason, subject=subject, values=values), remembered
    if _sunny(view, worst):
        return Verdict(NAME, Severity.OFF, "sun", Clears.WHEN_CLEAR, subject, values), remembered
    reason = "too_hot" if worst.sensor else "estimated_too_hot"
    severity = Severity.LOCKOUT if confirmed else Severity.TRIP
    clears = Clears.ON_ACKNOWLEDGE if confirmed else Clears.WHEN_CLEAR
    return Verdict(NAME, severity, reason, clears, subject, values), remembered


def _surface(view: SafetyView, zone: str) -> _Surface | None:
    limits = view.limits
    limit_c = limits.surface_session_max_c if zone in view.in_session else limits.surface_max_c
    measured = [s for s in view.fitted(Role.FLOOR_SURFACE, zone) if s.trusted]
    if measured:
        hottest = max(measured, key=lambda s: s.measured)
        return _Surface(zone, hottest.measured, limit_c, hottest)
    slabs, airs = view.values(Role.SLAB, zone), view.values(Role.AIR, zone)
    facts = view.zone_facts.get(zone)
    if not slabs or not airs or facts is None:
        return None
    return _Surface(zone, estimated_c(facts, slab_c=max(slabs), air_c=max(airs)), limit_c, None)


def estimated_c(facts: ZoneFacts, *, slab_c: float, air_c: float) -> float:
    """The steady surface temperature between a slab core and a room [°C].

    Upwards 8.92 (surface - air)^1.1 W/m2 leave the floor (EN 1264-2; ISO 11855-2).
    """
    resistance = facts.slab_to_surface_m2k_w
    if slab_c <= air_c:
        slab_w_m2k = 1.0 / resistance
        return (slab_w_m2k * slab_c + COOLING_W_M2K * air_c) / (slab_w_m2k + COOLING_W_M2K)
    low_c, high_c = air_c, slab_c
    for _ in range(24):  # to a millionth of the difference
        middle_c = (low_c + high_c) / 2.0
        if (slab_c - middle_c) / resistance > 8.92 * (middle_c - air_c) ** 1.1:
            low_c = middle_c
        else:
            high_c = middle_c
    return high_c


def _confirmed(
    view: SafetyView, memory: Memory, surfaces: list[_Surface]
) -> tuple[float | None, bool]:
    """For how long a sensor has seen what only the heater can have done, and whether that is sure.

    None where no sensor sees it now [s].
    """
    seen = [
        s.sensor
        for s in surfaces
        if s.sensor is not None and s.value_c > view.limits.surface_max_c and not _sunny(view, s)
    ]
    if not seen:
        return None, False
    over_s = trip_age_s(view, memory)
    newest_s = min(sensor.old_s for sensor in seen)
    return over_s, over_s >= CONFIRM_S and newest_s < over_s


def _weight(view: SafetyView, surface: _Surface) -> tuple[bool, bool, bool]:
    """Whether a surface trips, whether it is over at all, and whether heat stops before that."""
    over = surface.value_c > surface.limit_c
    return over and not _sunny(view, surface), over, _near(view, surface)


def _near(view: SafetyView, surface: _Surface) -> bool:
    """Whether a sensor sees it within ``NEAR_K`` of what locks out, its own limit kept."""
    near_c = view.limits.surface_max_c - NEAR_K
    return surface.sensor is not None and near_c < surface.value_c <= surface.limit_c


def _sunny(view: SafetyView, surface: _Surface) -> bool:
    slabs = view.values(Role.SLAB, surface.zone)
    return bool(slabs) and surface.value_c > max(slabs) + SUN_K
