"""``slabtide check``: what it says of bookings that share a room and a time."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from controller.cli import main

EXAMPLES = Path(__file__).parents[3] / "config"
NOW = ("--now", "2027-03-01 08:00")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    shutil.copytree(EXAMPLES, tmp_path / "config")
    return tmp_path / "config" / "site.yaml"


def booked(site: Path, *times: tuple[str, str, str]) -> None:
    """Replace the bookings: name, start and end on 6 March 2027."""
    lines = ["bookings:"]
    for name, start, end in times:
        lines += [f"  {name}:", "    date: 2027-03-06", f"    start: {start}", f"    end: {end}"]
        lines += ["    target: 16"]
    (site.parent / "bookings.yaml").write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize(
    ("times", "overlap"),
    [
        ((("one", "09:00", "12:00"), ("two", "11:59", "14:00")), ("one", "two")),
        ((("one", "09:00", "12:00"), ("two", "12:00", "14:00")), None),
        # the long one goes on below a short one
        (
            (("one", "09:00", "18:00"), ("two", "19:00", "20:00"), ("three", "19:30", "21:00")),
            ("two", "three"),
        ),
    ],
)
def test_bookings_that_overlap_are_named(
    site: Path,
    capsys: pytest.CaptureFixture[str],
    times: tuple[tuple[str, str, str], ...],
    overlap: tuple[str, str] | None,
) -> None:
    """They are allowed, and may be a slip: which holds is said, and the code is 0."""
    booked(site, *times)
    assert main(["check", "--site", str(site), *NOW]) == 0
    told = capsys.readouterr().out
    if overlap is None:
        assert "note: " not in told
    else:
        (note,) = (line for line in told.splitlines() if line.startswith("note: "))
        assert [name for name, *_ in times if f"{name}@2027-03-06" in note] == list(overlap)
        assert note.endswith("overlap in boat-bay: while both last the warmer one holds")


def test_a_short_one_within_a_long_one_hides_nothing(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first two by their starts are named."""
    booked(site, ("long", "09:00", "18:00"), ("short", "10:00", "11:00"))
    assert main(["check", "--site", str(site), *NOW]) == 0
    told = capsys.readouterr().out
    assert "note: long@2027-03-06 (Sat 09:00) and short@2027-03-06 (Sat 10:00) overlap" in told
