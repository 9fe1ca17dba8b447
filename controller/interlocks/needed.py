"""Which readings heat must not do without. Not a rule: what two of them look up."""

from __future__ import annotations

from collections.abc import Iterator

from controller.records.readings import DOUBTED, Condition, Sensed
from controller.records.safety import SafetyView
from controller.records.site import Role

MANDATORY = (Role.SLAB, Role.AIR)
"""Fitted in every zone, by the site file's own check."""

NEEDED_WHERE_FITTED = (Role.SUPPLY, Role.PRESSURE)
"""Roles whose hard limit cannot be judged while they are unknown."""


def unknown_readings(view: SafetyView) -> Iterator[Sensed]:
    """The needed readings that cannot be acted on.

    One trusted sensor of a role is enough for each zone, loop or heater; that of another is not.
    What is merely doubted comes last: that is told by the rule that doubts it.
    """
    groups = [view.fitted(role, zone) for zone in view.zones for role in MANDATORY]
    for role in NEEDED_WHERE_FITTED:
        subjects = dict.fromkeys(s.subject for s in view.fitted(role))
        groups += [view.fitted(role, subject) for subject in subjects]
    for group in groups:
        if group and not any(s.trusted for s in group):
            yield min(group, key=lambda s: s.condition in DOUBTED)


def unfitted_mandatory(view: SafetyView) -> bool:
    """Whether a mandatory sensor is not there at all."""
    return any(not view.fitted(role, zone) for zone in view.zones for role in MANDATORY)


def is_implausible(sensed: Sensed) -> bool:
    """Whether the sensor's latest readings cannot be true."""
    return sensed.condition is Condition.IMPLAUSIBLE
