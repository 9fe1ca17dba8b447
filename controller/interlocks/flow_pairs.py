"""Which supply and return see the same fluid. Not a rule: what two of them look up."""

from __future__ import annotations

from controller.records.readings import Sensed
from controller.records.safety import SafetyView
from controller.records.site import Role

Pair = tuple[tuple[Sensed, ...], tuple[Sensed, ...]]


def flow_pairs(view: SafetyView) -> list[Pair]:
    """The sensors of supply and of return for each place that has both.

    Of one loop or of the heater; where either stands alone there, the boiler's own supply goes with
    each loop's return, and a loop's supply with the boiler's return.
    """
    subjects = dict.fromkeys(s.subject for s in view.fitted(Role.SUPPLY))
    return [
        (view.fitted(Role.SUPPLY, subject), view.fitted(Role.RETURN, other))
        for subject in subjects
        for other in _returns_of(view, subject)
    ]


def open_pairs(view: SafetyView) -> list[Pair]:
    """The same without loops that are told to be shut: there nothing flows, and rightly so."""
    shut = {loop for loop, facts in view.loop_facts.items() if facts.zone in view.shut}
    return [
        pair
        for pair in flow_pairs(view)
        if shut.isdisjoint(sensed.subject for side in pair for sensed in side)
    ]


def _returns_of(view: SafetyView, supply: str) -> list[str]:
    """Where the fluid of a supply comes back."""
    found = list(dict.fromkeys(s.subject for s in view.fitted(Role.RETURN)))
    if supply in found:
        return [supply]
    from_loop = supply in view.loop_facts
    return [subject for subject in found if (subject in view.loop_facts) is not from_loop]
