"""What the owner would otherwise do: plain on/off methods on the same building.

Each uses what the building senses and nothing else, obeys the hard limits, protects from frost,
and is a thermostat inside sessions. They differ in when heat starts. Each has one margin to turn.
"""

from __future__ import annotations

from controller.records.sessions import Session
from controller.rehearsal.others_intersection import CurveIntersection
from controller.rehearsal.others_learning import LearntRate, TwoParameterTime, WeightedTime
from controller.rehearsal.others_method import Method, Seen

HOUR_S = 3600.0


class HeldAtTarget(Method):
    """The room held at the next session's target day and night."""

    name = "always held at target"
    margin_means = "K above the target"
    default_margin = 0.0
    MARGINS = (-0.5, -0.25, 0.0, 0.5)

    def wanted_c(self, session: Session, seen: Seen) -> float | None:
        """Always the target, and the margin before a session."""
        ahead_k = self.margin if seen.now_s < session.start_s else 0.0
        return session.target_c + ahead_k


class FixedStart(Method):
    """Heat from a fixed time before each session to its end."""

    name = "fixed start 36 h ahead"
    margin_means = "hours before the session"
    default_margin = 36.0
    MARGINS = (12.0, 24.0, 36.0, 48.0)

    def wanted_c(self, session: Session, seen: Seen) -> float | None:
        """The target from a fixed time on."""
        begins_s = session.start_s - self.margin * HOUR_S
        return session.target_c if seen.now_s >= begins_s else None


METHODS: tuple[type[Method], ...] = (
    HeldAtTarget,
    FixedStart,
    LearntRate,
    CurveIntersection,
    WeightedTime,
    TwoParameterTime,
)
"""Every other method, in the order of the table. A new one is a class and a line here."""
