"""The boiler is hot, the slab is not, and next to no power goes over: no loop takes the heat.

A valve that is jammed shut while its board says open, a pump that stands in the boiler, air
in the loop; or a power meter that has failed. The boiler's own thermostat holds it at its limit, so
nothing is in danger: it is told.
"""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "heat_not_taken"
WINDOW_S = 1800.0
"""Heat is looked at over so long: many of a thermostat's swings [s]."""
HOT_K = 20.0
"""A floor takes about a third of the heater's rating from a supply so much warmer than its slab
[K]; common practice, no source."""
TAKEN_SHARE = 0.05
"""Mean share of the rating below which nothing goes over: pump, electronics, the boiler's own
losses [-]; common practice, no source."""

SENTENCES = {
    "clear": "The heat that is made is taken.",
    "not_fitted": "Supply or power are not fitted, so nobody sees whether the heat is taken.",
    "not_taken": "For half an hour the supply was {hot_k:.0f} K or more above the slab and the "
    "heater drew {share:.0%} of its rating: no loop takes the heat. Look at valves, pump and air, "
    "and whether the power sensor is right.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Warn after a window in which a hot boiler needed nothing, until one in which it did.

    A meter that has never shown power proves nothing. While a reading is unknown time stands still.
    """
    if not view.fitted(Role.SUPPLY) or not view.fitted(Role.POWER):
        return allow(NAME, "not_fitted"), {}
    kept = _window(view, memory)
    if kept["window_s"] >= WINDOW_S:
        kept = _judged(kept)
    if not kept["untaken"]:
        return allow(NAME), kept
    values = {"hot_k": HOT_K, "share": kept["mean_share"]}
    return Verdict(NAME, Severity.WARN, "not_taken", Clears.WHEN_CLEAR, values=values), kept


def _window(view: SafetyView, memory: Memory) -> dict[str, float]:
    """The window with this tick in it; each run of heat begins one."""
    names = ("untaken", "mean_share", "shown", "window_s", "drawn_s", "cool")
    kept = {name: memory.get(name, 0.0) for name in names}
    if not view.heating:
        return {**kept, "window_s": 0.0, "drawn_s": 0.0, "cool": 0.0}
    powers, supplies = view.values(Role.POWER), view.values(Role.SUPPLY)
    slabs = view.values(Role.SLAB)
    if not (powers and supplies and slabs):
        return kept
    share = max(powers) / view.rating_w
    kept["shown"] = max(kept["shown"], float(share >= TAKEN_SHARE))
    kept["window_s"] += view.elapsed_s
    kept["drawn_s"] += max(share, 0.0) * view.elapsed_s
    if min(supplies) - max(slabs) < HOT_K:
        kept["cool"] = 1.0
    return kept


def _judged(kept: dict[str, float]) -> dict[str, float]:
    """What a whole window says, and the next one's beginning."""
    mean_share = kept["drawn_s"] / kept["window_s"]
    untaken = kept["untaken"]
    if mean_share >= TAKEN_SHARE:
        untaken = 0.0
    elif kept["shown"] and not kept["cool"]:
        untaken = 1.0
    return {
        **kept, "untaken": untaken, "mean_share": mean_share,
        "window_s": 0.0, "drawn_s": 0.0, "cool": 0.0,
    }  # fmt: skip
