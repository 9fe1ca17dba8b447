"""The hard limits, and the outermost value that no file may loosen."""

from __future__ import annotations

from dataclasses import dataclass

TICK_S = 10.0
"""Time between two decisions [s]."""

LEASE_S = 120.0
"""How long one ON lasts at the relay without a renewal [s]."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits in force for one site. A limits file may only tighten them (see ``OUTERMOST``).

    Attributes
    ----------
    slab_max_c, supply_max_c : float
        Slab core and supply temperature above which heat stops [°C].
    surface_session_max_c, surface_max_c : float
        Floor surface while a session runs, and otherwise [°C].
    frost_on_c, frost_off_c : float
        Frost protection starts below the first and ends above the second [°C].
    blind_duty_s : float
        Frost heat allowed in an hour without a trustworthy slab reading [s].
    stale_after_s : float
        Age at which a reading counts as unknown [s].
    max_run_s, rest_s : float
        Longest continuous heat, and the rest that must follow it [s].
    min_on_s, min_off_s : float
        Shortest time between two switchings [s].
    """

    slab_max_c: float = 40.0
    supply_max_c: float = 55.0
    surface_session_max_c: float = 29.0
    surface_max_c: float = 35.0
    frost_on_c: float = 5.0
    frost_off_c: float = 7.0
    blind_duty_s: float = 900.0
    stale_after_s: float = 600.0
    max_run_s: float = 12 * 3600.0
    rest_s: float = 600.0
    min_on_s: float = 300.0
    min_off_s: float = 300.0


@dataclass(frozen=True, slots=True)
class Bound:
    """The span within which a limits file may move one limit, and the unit it is given in.

    ``per_unit`` is how many of the record's units one unit of the file makes (hours to
    seconds: 3600).
    """

    key: str
    lowest: float
    highest: float
    per_unit: float = 1.0


OUTERMOST: dict[str, Bound] = {
    "slab_max_c": Bound("slab_max_c", 15.0, 45.0),
    "supply_max_c": Bound("supply_max_c", 25.0, 60.0),
    "surface_session_max_c": Bound("surface_session_max_c", 15.0, 29.0),
    "surface_max_c": Bound("surface_max_c", 15.0, 35.0),
    "frost_on_c": Bound("frost_on_c", 5.0, 12.0),
    "frost_off_c": Bound("frost_off_c", 7.0, 15.0),
    "blind_duty_s": Bound("blind_duty_min_per_h", 5.0, 15.0, 60.0),
    "stale_after_s": Bound("stale_after_min", 1.0, 10.0, 60.0),
    "max_run_s": Bound("max_run_h", 1.0, 12.0, 3600.0),
    "rest_s": Bound("rest_min", 10.0, 60.0, 60.0),
    "min_on_s": Bound("min_on_min", 5.0, 30.0, 60.0),
    "min_off_s": Bound("min_off_min", 5.0, 60.0, 60.0),
}
"""Field of ``Limits`` -> the key in the limits file and the span that it may take there."""
