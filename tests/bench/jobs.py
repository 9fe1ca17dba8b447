"""What the comparison has to run: one method in one season at one margin is a job."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.rehearsal.others import METHODS, FixedStart
from controller.rehearsal.others_learning import LearntRate
from controller.rehearsal.others_method import Method

OWN = "slabtide"
TRUE_MODEL = "true model"
FORESIGHT = "perfect foresight"
ASKED_PERCENT = 95.0
"""Readiness asked for where nothing else is said [%]."""
CURVE_PERCENT = (80.0, 90.0, 95.0, 98.0)
"""Readiness asked for where its curve is drawn [%]."""
TRUE_MARGINS = (0.5, 1.0, 1.5)
"""Times the spread of what is to come that the controller with the true model allows for."""
WIDE_TRUE_MARGINS = (0.0, *TRUE_MARGINS, 2.0)
CURVED = (FixedStart, LearntRate)
"""Other methods that are run at all their margins even where not all are asked for."""
ROOT = Path(__file__).parents[2]
_SIMULATION = ("controller/rehearsal", "tests/bench", "config")
_NO_PART_OF_A_RUN = re.compile(
    r"(test_.*|compare|figures|table|picture|labels|equal_readiness|speed|stored_past|made_up)\.py"
)


@dataclass(frozen=True, slots=True, order=True)
class Season:
    """A case of the benchmark by what makes it."""

    kind: str
    station: str
    seed: int
    days: int

    @property
    def name(self) -> str:
        """For the table's rows."""
        return f"{self.kind}, {self.station} {self.seed}"


@dataclass(frozen=True, slots=True)
class Job:
    """One run. ``margin`` is slabtide's readiness asked for [%], of other methods their own."""

    season: Season
    method: str
    forecast: bool = False
    margin: float = 0.0

    @property
    def key(self) -> str:
        """Names the job in files, whatever the settings."""
        season = self.season
        heard = "forecast" if self.forecast else "plain"
        words = (
            f"{season.kind} {season.station} {season.seed} {season.days}d",
            self.method, heard, f"{self.margin:g}",
        )  # fmt: skip
        return "--".join(re.sub(r"[^a-z0-9.+-]+", "-", word.lower()) for word in words)

    @property
    def label(self) -> str:
        """For progress."""
        heard = ", forecast" if self.forecast else ""
        margin = "" if self.method == FORESIGHT else f", {self.margin:g}"
        return f"{self.season.name}: {self.method}{heard}{margin}"


def jobs_of(
    seasons: Iterable[Season],
    methods: Sequence[str],
    *,
    with_curve: bool,
    all_margins: bool,
) -> list[Job]:
    """The jobs, season by season, foresight first: all figures are relative to it."""
    jobs = []
    for season in seasons:
        jobs.append(Job(season, FORESIGHT))
        planned: dict[str, tuple[float, ...]] = {
            OWN: CURVE_PERCENT if with_curve else (ASKED_PERCENT,),
            TRUE_MODEL: WIDE_TRUE_MARGINS if all_margins else TRUE_MARGINS,
        }
        for name, margins in planned.items():
            if name in methods:
                jobs += [Job(season, name, heard, m) for heard in (True, False) for m in margins]
        for method in METHODS:
            if family(method) in methods:
                margins = margins_of(method, all_margins=all_margins)
                jobs += [Job(season, family(method), False, margin) for margin in margins]
    return jobs


def margins_of(method: type[Method], *, all_margins: bool) -> tuple[float, ...]:
    """At which margins a method is run."""
    return method.MARGINS if all_margins or method in CURVED else (method.default_margin,)


def family(method: type[Method]) -> str:
    """A method's name without its default margin, which stands in a column of its own."""
    return method.name.removesuffix(f" {method.default_margin:g} h ahead")


def method_named(name: str) -> type[Method]:
    """The other method of that family; StopIteration where there is none."""
    return next(method for method in METHODS if family(method) == name)


def all_methods() -> tuple[str, ...]:
    """Everything that can be compared, in the order of the table."""
    return (OWN, TRUE_MODEL, *(family(method) for method in METHODS))


def version_of_sources() -> Callable[[Job], str]:
    """Which settings a job was run under: a digest of the sources that it depends on.

    Foresight and the other methods depend on the simulated workshop alone; slabtide and the
    controller with the true model on the controller and its models as well.
    """
    simulated = _digest(_SIMULATION)
    everything = _digest((*_SIMULATION, "controller", "models"))
    return lambda job: everything if job.method in (OWN, TRUE_MODEL) else simulated


def _digest(folders: Sequence[str]) -> str:
    digest = hashlib.sha256()
    found = {path for folder in folders for path in (ROOT / folder).rglob("*.*")}
    for path in sorted(found):
        counts = path.suffix in (".py", ".yaml", ".csv") and "commands" not in path.parts
        if counts and not _NO_PART_OF_A_RUN.fullmatch(path.name):
            digest.update(path.relative_to(ROOT).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:10]
