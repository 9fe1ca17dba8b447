"""The header of a log: which column holds the time, which a role, in which unit."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.configuration.problems import shown
from controller.earlier_log.problems import Unreadable
from controller.plausibility import Plausible, plausible
from controller.records.imported import ROLES, imported_id, subjects
from controller.records.site import Role, Sensor, Site
from controller.units import fitting_unit, units_in_words

TIME_NAMES = ("time", "timestamp", "datetime")
UTC = "UTC"
"""The only unit of a time column: its times without an offset are UTC, not wall time."""

_HEADING = re.compile(r"([^\[\]]*)(?:\[([^\[\]]*)\])?")
_HOUSE_UNIT = {Role.POWER: "W", Role.IRRADIANCE: "W/m2"}
_MISTYPED = 0.8
"""From this likeness on an unknown name is taken for a mistyped role, not for another column."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column that is imported.

    Attributes
    ----------
    position : int
        Index of its cells in a row.
    heading : str
        As the owner wrote it.
    role, subject : Role, str
    unit : str
        Of its numbers, as ``controller.units`` spells it.
    span : Plausible
        What its numbers can be, in house units.
    """

    position: int
    heading: str
    role: Role
    subject: str
    unit: str
    span: Plausible

    @property
    def id(self) -> str:
        """Under which its samples are stored."""
        return imported_id(self.role, self.subject)

    @property
    def house_unit(self) -> str:
        """The unit of its samples."""
        return _HOUSE_UNIT.get(self.role, "°C")


@dataclass(frozen=True, slots=True)
class Header:
    """Where everything is in a row of ``width`` cells; ``unused`` columns are passed over."""

    width: int
    time: int
    time_zone: str
    columns: tuple[Column, ...]
    unused: tuple[str, ...]


Blame = Callable[[int, Unreadable], None]
"""Notes what is wrong with the cell of an index."""


def read_header(cells: Sequence[str], site: Site, blame: Blame) -> Header | None:
    """Understand a header; None, with its problems noted, where it cannot be used."""
    found = _Found(site)
    fine = True
    for position, cell in enumerate(cells):
        try:
            found.take(position, cell)
        except Unreadable as error:
            blame(position, error)
            fine = False
    if not fine:
        return None
    if found.time is None or not found.columns:
        blame(0, _lacking(site, time_lacks=found.time is None))
        return None
    columns = tuple(found.columns.values())
    return Header(len(cells), found.time, found.time_zone, columns, tuple(found.unused))


class _Found:
    """What the headings so far have said."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self.time: int | None = None
        self.time_zone = site.time_zone
        self.columns: dict[str, Column] = {}
        self.unused: list[str] = []

    def take(self, position: int, cell: str) -> None:
        """Understand one heading, or raise Unreadable."""
        name, unit = _parts(cell)
        if name in TIME_NAMES:
            self._take_time(position, unit)
            return
        column = _column(position, cell, name, unit, self._site)
        if column is None:
            self.unused.append(cell.strip())
        elif column.id in self.columns:
            raise Unreadable(f"a second column of {column.id}", "one column of each")
        else:
            self.columns[column.id] = column

    def _take_time(self, position: int, unit: str | None) -> None:
        if self.time is not None:
            raise Unreadable("a second column of times", "one, named time")
        if unit not in (None, UTC):
            raise Unreadable(f"times have no unit {shown(unit or '')}", "time, or time [UTC]")
        self.time, self.time_zone = position, unit or self._site.time_zone


def _parts(cell: str) -> tuple[str, str | None]:
    found = _HEADING.fullmatch(cell.strip())
    if found is None:
        raise Unreadable(f"{shown(cell)} is no heading", "a name, then [unit] where there is one")
    name = re.sub(r"[\s_]+", "_", found[1].strip().lower())
    return name, None if found[2] is None else found[2].strip()


def _column(position: int, heading: str, name: str, unit: str | None, site: Site) -> Column | None:
    """The column of a heading; None where it is none that anything is learnt from."""
    sensor = _sensor(name, site)
    role_name, _, named = name.partition("@")
    if sensor is not None:
        role, subject = sensor.role, sensor.subject
    elif role_name in tuple(Role):
        role = Role(role_name)
        subject = _subject(role, named, site) if role in ROLES else ""
    else:
        _refuse_mistyped(role_name)
        return None
    if role not in ROLES or subject not in subjects(site, role):
        return None
    rating_w = site.heater(subject).rating_w if role is Role.POWER else 0.0
    span = plausible(role, rating_w=rating_w)
    return Column(position, heading.strip(), role, subject, _unit(role, unit), span)


def _sensor(name: str, site: Site) -> Sensor | None:
    return next((s for s in site.sensors if s.id == name.replace("_", "-")), None)


def _subject(role: Role, named: str, site: Site) -> str:
    known = subjects(site, role)
    wanted = named.replace("_", "-")
    if wanted in known:
        return wanted
    right = " or ".join(imported_id(role, subject) for subject in known)
    if named:
        raise Unreadable(f"the site has no {shown(named)} with the role {role.value}", right)
    if len(known) > 1:
        raise Unreadable(f"which {role.value} is this?", right)
    return known[0]


def _refuse_mistyped(name: str) -> None:
    close = difflib.get_close_matches(
        name[:60], [*TIME_NAMES, *(role.value for role in ROLES)], n=1, cutoff=_MISTYPED
    )
    if close:
        raise Unreadable(
            f"{shown(name)} is no role",
            f"{close[0]}, or a name less like it where the column holds something else",
        )


def _unit(role: Role, text: str | None) -> str:
    house = _HOUSE_UNIT.get(role, "°C")
    unit = fitting_unit(role, house if text is None else text)
    if unit is None:
        right = f"{units_in_words(role)}; without [unit] it is {house}"
        raise Unreadable(f"{shown(text or '')} is no unit of {role.value}", right)
    return unit


def _lacking(site: Site, *, time_lacks: bool) -> Unreadable:
    names = [imported_id(role, subject) for role in ROLES for subject in subjects(site, role)]
    known = f"time, then some of {', '.join(names)}"
    wrong = "no column of times" if time_lacks else "no column that anything is learnt from"
    return Unreadable(wrong, f"a header line with {known} (the part after @ only where needed)")
