"""The commands that look back, from the command line, on the example files."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
import time_machine

from controller.cli import main
from controller.configuration import load_all
from controller.local_time import utc_text
from controller.records.decision import Decision, HeaterState
from controller.store import open_writer

EXAMPLES = Path(__file__).parents[3] / "config"
LOOKING_BACK = ("plan", "log", "why", "fit")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The example site in a folder of its own: its store has never been written."""
    shutil.copytree(EXAMPLES, tmp_path / "config")
    return tmp_path / "config" / "site.yaml"


@pytest.mark.parametrize("command", LOOKING_BACK)
def test_missing_store_is_explained(
    command: str, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1, and how to begin; nothing is made by looking."""
    assert main([command, "--site", str(site)]) == 1
    told = capsys.readouterr().err
    assert "the service has not run here yet" in told
    assert f"slabtide run --site {site}" in told
    assert not load_all(site).store.exists()


def test_bookings_need_no_store(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The calendar alone is enough to list what is booked."""
    assert main(["bookings", "--site", str(site), "--days", "366"]) == 0
    assert capsys.readouterr().out.startswith("Booked until")


@pytest.mark.parametrize("command", [*LOOKING_BACK, "bookings"])
def test_missing_site_file_is_bad_input(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, with the file named."""
    assert main([command, "--site", str(tmp_path / "site.yaml")]) == 2
    assert "site.yaml:1:1: " in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["why", "soon"], "'soon' is no time; right would be: now, 03:15"),
        (["why", "2999-01-01"], "still to come: see `slabtide plan`"),
        (["why", "--heater", "stove"], "there is no heater 'stove'; right: boiler"),
        (["log", "--zone", "attic"], "there is no zone 'attic'; right: boat-bay"),
        (["log", "--since", "-1h", "--until", "-2h"], "is not before --until"),
        (["log", "--since", "25:99"], "'25:99' is no time"),
    ],
)
def test_bad_arguments_are_told_before_the_store_is_asked(
    arguments: list[str], told: str, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and what would be right, also where there is no store yet."""
    assert main([*arguments, "--site", str(site)]) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [["bookings", "--days", "0"], ["bookings", "--days", "many"], ["plan", "--hours", "169"]],
)
def test_bad_numbers_are_refused(
    arguments: list[str], site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and the span that would be right."""
    with pytest.raises(SystemExit) as ended:
        main([*arguments, "--site", str(site)])
    assert ended.value.code == 2
    assert "right: a whole number from 1 to" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments", [["why", "-10m"], ["why", "yesterday", "23:55"], ["log", "--since", "-3h"]]
)
def test_times_that_look_like_options(
    arguments: list[str],
    site: Path,
    decide: Callable[..., Decision],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """``-10m`` is a time, not an option, and a time of two words needs no quotes."""
    decision = decide()  # 20:30 UTC, 15:30 in the example's time zone
    with closing(open_writer(load_all(site).store)) as writer:
        writer.add_decision(decision, HeaterState())
    late = "2026-11-28T20:30:00Z" if "yesterday" in arguments else "2026-11-27T20:40:00Z"
    assert utc_text(decision.at.utc_s) == "2026-11-27T20:30:00.000Z"
    with time_machine.travel(late, tick=False):
        assert main([*arguments, "--site", str(site)]) == 0
    assert "15:30:00" in capsys.readouterr().out


def test_a_clock_that_was_ahead_is_not_the_present(
    site: Path, decide: Callable[..., Decision], capsys: pytest.CaptureFixture[str]
) -> None:
    """Rows from a clock years ahead do not answer for those after it was put right."""
    with closing(open_writer(load_all(site).store)) as writer:
        for hour in (0.0, 4 * 8766.0, 0.1):
            writer.add_decision(decide(hour), HeaterState())
    with time_machine.travel("2026-11-27T20:40:00Z", tick=False):
        assert main(["why", "--site", str(site)]) == 0
    assert "Decided Fri 2026-11-27 15:36:00" in capsys.readouterr().out


@pytest.mark.parametrize("command", [*LOOKING_BACK, "check", "run", "acknowledge", "bookings"])
def test_records_behind_a_link_to_itself_are_bad_input(
    command: str, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, with the place in the site file."""
    store = load_all(site).store
    store.symlink_to(store.name)
    assert main([command, "--site", str(site)]) == 2
    told = capsys.readouterr()
    assert re.search(
        r"site\.yaml:\d+:\d+: \S+ is a symbolic link that leads back to itself; give a folder",
        told.out + told.err,
    )
