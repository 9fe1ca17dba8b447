"""The table of faults in DEVELOPERS.md and the scenarios belong together."""

from pathlib import Path

from tests.scenarios.conftest import rows


def test_each_scenario_has_its_row() -> None:
    """Every numbered file has one row in the table, and every row its file."""
    files = [path.name.split("_")[1] for path in Path(__file__).parent.glob("test_0*.py")]
    assert sorted(rows()) == sorted(files)
