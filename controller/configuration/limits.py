"""Reads the limits file. Every limit must be there, and none may be looser than its outermost."""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.configuration.fields import Fields
from controller.configuration.kinds import Kind, number
from controller.records.limits import OUTERMOST, Bound, Limits

SLAB_MARGIN_K = 5.0
SURFACE_MARGIN_K = 2.0
"""How far a target must stay below the slab and the surface limit [K].

Heat flows from slab to floor surface to room. A floor 2 K above the room gives
8.92 * 2**1.1 = 19 W/m2 (EN 1264-2, from memory), about the least that holds a room; the slab
must be warmer still. A target nearer to a limit could only be missed, or held by tripping it.
"""


@dataclass(frozen=True, slots=True)
class TargetSpan:
    """The targets that the limits leave room for [°C], and where the upper end comes from."""

    lowest_c: float
    highest_c: float
    because: str


def read_limits(fields: Fields) -> Limits:
    """Read every limit; a stand-in (NaN) is left where one is missing or outside its span."""
    with fields:
        values = {
            name: fields.read(bound.key, _kind(bound)) * bound.per_unit
            for name, bound in OUTERMOST.items()
        }
    limits = Limits(**values)
    _check_together(limits, fields)
    return limits


def target_span(limits: Limits) -> TargetSpan:
    """Give the targets that a site's limits leave room for; NaN where a limit is unknown."""
    by_slab_c = limits.slab_max_c - SLAB_MARGIN_K
    by_surface_c = limits.surface_session_max_c - SURFACE_MARGIN_K
    if by_slab_c < by_surface_c:
        because = f"slab_max_c {limits.slab_max_c:g} - {SLAB_MARGIN_K:g}"
        return TargetSpan(limits.frost_off_c, by_slab_c, because)
    because = f"surface_session_max_c {limits.surface_session_max_c:g} - {SURFACE_MARGIN_K:g}"
    return TargetSpan(limits.frost_off_c, by_surface_c, because)


def _kind(bound: Bound) -> Kind[float]:
    span = number(bound.lowest, bound.highest)
    return Kind(f"{span.expected}, which no file may widen", span.parse, math.nan, plain=True)


def _check_together(limits: Limits, fields: Fields) -> None:
    if limits.frost_off_c <= limits.frost_on_c:
        fields.blame(
            "frost_off_c",
            f"frost_off_c {limits.frost_off_c:g} is not above frost_on_c {limits.frost_on_c:g}",
            f"give more than {limits.frost_on_c:g}, as a rule 2 above it",
        )
    if limits.surface_session_max_c > limits.surface_max_c:
        fields.blame(
            "surface_session_max_c",
            f"surface_session_max_c {limits.surface_session_max_c:g} is above surface_max_c "
            f"{limits.surface_max_c:g}",
            f"give at most {limits.surface_max_c:g}: people stand on the floor during a session",
        )
    span = target_span(limits)
    if span.highest_c <= span.lowest_c:
        fields.blame(
            "frost_off_c",
            f"no target fits between frost_off_c {span.lowest_c:g} and {span.highest_c:g} "
            f"({span.because})",
            "lower frost_off_c, or raise the limit above it",
        )
