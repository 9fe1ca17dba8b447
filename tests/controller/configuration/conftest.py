"""A small, sound configuration, and a way to break it at a marked place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.configuration import ConfigurationError, Problem, load_all

SITE = """\
id: slipway
time_zone: Europe/Berlin
latitude_deg: 54.3
longitude_deg: 10.1
store: ../state
broker: {host: localhost}
zones:
  hall:
    volume_m3: 150
    air_changes_per_h: 0.5
    floor:
      area_m2: 40
      exposed_perimeter_m: 26
      slab_thickness_mm: 150
      tube_depth_mm: 75
      tube_spacing_mm: 200
      insulation_thickness_mm: 100
      wall_thickness_mm: 240
    envelope:
      walls:
        area_m2: 80
        u_value_w_m2k: 0.4
      roof:
        area_m2: 45
        layers:
          - {thickness_mm: 200, conductivity_w_mk: 0.04}
loops:
  hall-loop: {zone: hall, tube_length_m: 200, tube_bore_mm: 16, glycol_mass_percent: 30}
heaters:
  boiler:
    rating_kw: 6
    supply_limit_c: 50
    loops: [hall-loop]
    relay:
      command_topic: slipway/command
      leases: true
      report_topic: slipway/report
sensors:
  slab: {role: slab, subject: hall, topic: slipway/slab, unit: C}
  air: {role: air, subject: hall, topic: slipway/air, unit: °F, value_pointer: /v}
  sky: {role: outdoor, topic: slipway/outdoor, unit: °C}
  meter: {role: energy, subject: boiler, topic: slipway/meter, unit: pulses, pulses_per_kwh: 800}
"""

LIMITS = """\
slab_max_c: 40
supply_max_c: 55
surface_session_max_c: 29
surface_max_c: 35
frost_on_c: 5
frost_off_c: 7
blind_duty_min_per_h: 15
stale_after_min: 10
max_run_h: 12
rest_min: 10
min_on_min: 5
min_off_min: 5
"""

BOOKINGS = """\
targets:
  bench-work: 16
bookings:
  evenings:
    weekdays: [tuesday, thursday]
    every_weeks: 2
    since: 2026-01-05
    until: 2026-12-31
    start: 18:30
    end: 21:30
    target: bench-work
    skip: [2026-01-20]
    changes:
      2026-01-22: {start: 17:00, target: 18}
  open-day:
    date: "2026-02-07"
    start: 22:00
    end: 8:00
    overnight: true
    target: 20.5
"""

TEXTS = {"site": SITE, "limits": LIMITS, "bookings": BOOKINGS}
MARK = "‸"
"""Stands in an edit where a problem is expected, and is taken out before the file is written."""


@dataclass(frozen=True)
class Broken:
    """What came of a broken configuration: its problems, and the places that were marked."""

    problems: list[Problem]
    marked: list[tuple[str, int, int]]

    @property
    def places(self) -> list[tuple[str, int, int]]:
        """Where the problems were found: file name, line, column."""
        return [(Path(p.file).name, p.line, p.column) for p in self.problems]


def marks(file: str, text: str) -> list[tuple[str, int, int]]:
    """File name, line and column of every mark in a text."""
    found = []
    for number, line in enumerate(text.split("\n"), start=1):
        for before in range(line.count(MARK)):
            column = len("".join(line.split(MARK)[: before + 1])) + 1
            found.append((f"{file}.yaml", number, column))
    return found


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the three sound files."""
    for file, text in TEXTS.items():
        (tmp_path / f"{file}.yaml").write_text(text, encoding="utf-8")
    return tmp_path


@pytest.fixture
def replace(folder: Path) -> Callable[[str, str, str], list[tuple[str, int, int]]]:
    """Replace what stands exactly once in a file; gives the places that the new text marks."""

    def edit(file: str, old: str, new: str) -> list[tuple[str, int, int]]:
        path = folder / f"{file}.yaml"
        text = path.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
        text = text.replace(old, new)
        path.write_text(text.replace(MARK, ""), encoding="utf-8")
        return marks(file, text)

    return edit


@pytest.fixture
def load_broken(folder: Path) -> Callable[[], list[Problem]]:
    """Load the folder, which must not succeed, and give the problems."""

    def load() -> list[Problem]:
        with pytest.raises(ConfigurationError) as raised:
            load_all(folder / "site.yaml")
        assert str(raised.value).splitlines() == [str(p) for p in raised.value.problems]
        return raised.value.problems

    return load


@pytest.fixture
def broken(
    replace: Callable[[str, str, str], list[tuple[str, int, int]]],
    load_broken: Callable[[], list[Problem]],
) -> Callable[[str, str, str], Broken]:
    """Break one file by one edit and load; the edit's marks say where problems are expected."""

    def breaking(file: str, old: str, new: str) -> Broken:
        marked = replace(file, old, new)
        return Broken(load_broken(), marked)

    return breaking
