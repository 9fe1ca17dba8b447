"""Seeds, stages, and the figures that the scenarios measure.

pytest tests/scenarios --seeds 20            more workshops for each scenario
pytest tests/scenarios --measured            what each scenario measured, beside DEVELOPERS.md
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.long.fault_table import DEVELOPERS, Row, read_rows
from tests.scenarios.stage import Stage

SEEDS = 2
FIGURE = "heat off after [s]"

MakeStage = Callable[..., Stage]
Measured = Callable[[float], None]


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add what is asked for only here."""
    parser.addoption("--seeds", type=int, default=SEEDS, help="seeds for each scenario")
    parser.addoption("--long", action="store_true", help="play the stories of weeks to their end")
    parser.addoption("--measured", action="store_true", help="print what scenarios measured")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Play each scenario with several seeds; a failing test's name holds its seed."""
    if "seed" in metafunc.fixturenames:
        is_scenario = metafunc.module.__name__.rpartition(".")[2].startswith("test_0")
        seeds = range(1, 1 + (metafunc.config.getoption("seeds") if is_scenario else 1))
        metafunc.parametrize("seed", seeds, ids=[f"seed{n}" for n in seeds])


@pytest.fixture
def long(request: pytest.FixtureRequest) -> bool:
    """Whether a story of weeks is played to its end."""
    return bool(request.config.getoption("long"))


@pytest.fixture
def make_stage(tmp_path: Path, seed: int) -> MakeStage:
    """A stage with named changes of its setting."""
    return lambda **changes: Stage(tmp_path, seed, **changes)


@pytest.fixture
def measured(request: pytest.FixtureRequest) -> Measured:
    """Put a time from fault to OFF on record; it may not exceed the one in DEVELOPERS.md."""

    def keep(off_after_s: float) -> None:
        request.node.user_properties.append((FIGURE, off_after_s))
        if path := os.environ.get("SLABTIDE_FAULTS_OUT"):
            figure = {"fault": row_of(request.path.name).fault, "off_s": off_after_s}
            with Path(path).open("a", encoding="utf-8") as file:
                file.write(json.dumps(figure) + "\n")
        assert off_after_s <= stated(request.path.name)

    return keep


def rows() -> dict[str, Row]:
    """The rows of the table in DEVELOPERS.md by number of their scenario."""
    found = read_rows(DEVELOPERS.read_text(encoding="utf-8"))
    return {row.test: row for row in found if row.test.isdigit()}


def row_of(file_name: str) -> Row:
    """A scenario's row."""
    return rows()[file_name.split("_")[1]]


def stated(file_name: str) -> float:
    """The time to OFF that DEVELOPERS.md states for a scenario [s]."""
    at_most_s = row_of(file_name).at_most_s
    assert at_most_s is not None, f"no time to OFF is stated for {file_name}"
    return at_most_s


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """Print the worst case of each scenario over its seeds."""
    if not config.getoption("measured"):
        return
    worst: dict[str, float] = {}
    for report in terminalreporter.stats.get("passed", []):
        for name, value in report.user_properties:
            if name == FIGURE:
                file = Path(report.nodeid.partition("::")[0]).name
                worst[file] = max(value, worst.get(file, 0.0))
    terminalreporter.section("time from fault to OFF: measured, stated [s]")
    for file, value in sorted(worst.items()):
        terminalreporter.write_line(f"{value:8.0f} {stated(file):8.0f}  {file}")
