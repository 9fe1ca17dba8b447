"""What the guard asks of its planner child, and what the child answers."""

from __future__ import annotations

from dataclasses import dataclass

from controller.records.limits import Limits
from controller.records.plan import ParameterSet, Plan
from controller.records.sessions import Session
from controller.records.site import Site


@dataclass(frozen=True, slots=True)
class PlanErrand:
    """Make a timetable for one heater from ``now_s`` on.

    ``parameter_sets`` holds the set in force for each zone; a zone without one is planned from
    the building's description. ``heating`` is the command at this moment. ``held`` are the
    sessions that began in the last weeks, by start: how warm they were found teaches the margin.
    """

    site: Site
    limits: Limits
    heater: str
    sessions: tuple[Session, ...]
    parameter_sets: tuple[ParameterSet, ...]
    heating: bool
    now_s: float
    held: tuple[Session, ...] = ()


@dataclass(frozen=True, slots=True)
class LearnErrand:
    """Fit every zone's response from its history; ``parameter_sets`` holds those in force.

    ``held`` are the sessions that began in the last weeks: people were in then.
    """

    site: Site
    parameter_sets: tuple[ParameterSet, ...]
    now_s: float
    held: tuple[Session, ...] = ()


@dataclass(frozen=True, slots=True)
class Learnt:
    """One zone's outcome of a fit: the set to use from now on and why, in a sentence.

    ``drift`` tells of a lasting change of the building within the last days; None without one.
    """

    parameter_set: ParameterSet
    replaces: bool
    reason: str
    drift: str | None = None


@dataclass(frozen=True, slots=True)
class PlanAnswer:
    """The child's timetable."""

    plan: Plan


@dataclass(frozen=True, slots=True)
class LearnAnswer:
    """The child's fits, one for each zone."""

    learnt: tuple[Learnt, ...]
