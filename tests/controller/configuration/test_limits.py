"""Limits: every one required, none looser than its outermost, and consistent with each other."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.configuration import Problem, load_all
from controller.configuration.limits import target_span
from controller.records.limits import OUTERMOST, Bound, Limits

Breaking = Callable[[str, str, str], Any]
Replace = Callable[[str, str, str], list[tuple[str, int, int]]]
Load = Callable[[], list[Problem]]


def test_the_defaults_of_the_record_come_out_in_its_units(folder: Path) -> None:
    """A file that gives every default in its own unit loads as the default limits."""
    assert load_all(folder / "site.yaml").limits == Limits()


@pytest.mark.parametrize("bound", OUTERMOST.values(), ids=lambda bound: bound.key)
def test_every_limit_is_required(folder: Path, load_broken: Load, bound: Bound) -> None:
    """A limit that is left out is a problem of the file as a whole."""
    path = folder / "limits.yaml"
    lines = path.read_text().splitlines()
    path.write_text("\n".join(line for line in lines if not line.startswith(f"{bound.key}:")))
    (problem,) = load_broken()
    assert (problem.line, problem.column) == (1, 1)
    assert problem.wrong == f"{bound.key} is missing"
    assert f"from {bound.lowest:g} to {bound.highest:g}" in problem.right


@pytest.mark.parametrize("end", ["lowest", "highest"])
@pytest.mark.parametrize("bound", OUTERMOST.values(), ids=lambda bound: bound.key)
def test_no_limit_leaves_its_outermost_span(
    folder: Path, load_broken: Load, bound: Bound, end: str
) -> None:
    """A hundredth beyond either end of the span is refused at the value."""
    path = folder / "limits.yaml"
    value = bound.lowest - 0.01 if end == "lowest" else bound.highest + 0.01
    lines = path.read_text().splitlines()
    (number,) = (n for n, line in enumerate(lines) if line.startswith(f"{bound.key}:"))
    lines[number] = f"{bound.key}: {value}"
    path.write_text("\n".join(lines))
    (problem,) = load_broken()
    assert (problem.line, problem.column) == (number + 1, len(bound.key) + 3)
    assert "which no file may widen" in problem.right


TOGETHER = [
    ("frost_off_c: 7", "frost_off_c: ‸7\n#", "frost_on_c: 5", "frost_on_c: 7.5", "not above"),
    ("frost_off_c: 7", "frost_off_c: ‸7", "frost_on_c: 5", "frost_on_c: 7", "not above frost_on_c"),
    (
        "session_max_c: 29",
        "session_max_c: ‸29",
        "surface_max_c: 35",
        "surface_max_c: 28",
        "above surface_max_c 28",
    ),
    ("slab_max_c: 40", "slab_max_c: 15", "frost_off_c: 7", "frost_off_c: ‸10", "no target fits"),
]


@pytest.mark.parametrize(("old", "new", "other", "instead", "words"), TOGETHER)
def test_limits_must_agree(
    broken: Breaking, replace: Replace, old: str, new: str, other: str, instead: str, words: str
) -> None:
    """Two limits that contradict each other are named at the one that is easier to move."""
    marked = replace("limits", other, instead)
    found = broken("limits", old, new)
    ours = [p for p in found.problems if Path(p.file).name == "limits.yaml"]
    assert len(ours) == 1
    assert words in ours[0].wrong
    assert found.places[0] in found.marked + marked


def test_targets_stay_below_what_can_be_held() -> None:
    """The span of targets is the tighter of slab limit - 5 K and session surface limit - 2 K."""
    assert (target_span(Limits()).lowest_c, target_span(Limits()).highest_c) == (7.0, 27.0)
    assert target_span(Limits(slab_max_c=25.0)).highest_c == 20.0
