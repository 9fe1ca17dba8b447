"""``slabtide acknowledge`` from the command line, also where files or records are damaged."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from controller.cli import main
from controller.configuration import load_all
from controller.records.decision import Decision, HeaterState
from controller.store import open_writer

EXAMPLES = Path(__file__).parents[3] / "config"
LOCKED_OUT = HeaterState(latched=frozenset({"loop_pressure"}))


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The example site in a folder of its own."""
    shutil.copytree(EXAMPLES, tmp_path / "config")
    return tmp_path / "config" / "site.yaml"


@pytest.fixture
def store(site: Path, decide: Callable[..., Decision]) -> Path:
    """Its store, as a service with a lockout has left it."""
    current = load_all(site)
    with closing(open_writer(current.store)) as writer:
        for name, text in current.texts.items():
            writer.keep_configuration(name, text, 1.7e9)
        writer.add_decision(decide(), LOCKED_OUT)
    return current.store


def _requests(store: Path) -> list[Path]:
    return list((store / "requests").iterdir())


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("bookings.yaml", "bookings: {x: 1}\n"),
        ("limits.yaml", "oops\n"),
        ("site.yaml", "zones: [\n"),
    ],
)
def test_a_mistake_in_a_file_keeps_no_lockout(
    name: str, text: str, site: Path, store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The request is left by the last good version; the mistake is told on standard error."""
    broken = site.with_name(name)
    before = broken.read_text("utf-8") if name == "site.yaml" else ""
    broken.write_text(before + text, "utf-8")
    assert main(["acknowledge", "--site", str(site)]) == 0
    told = capsys.readouterr()
    assert "Asked to acknowledge at boiler: loop pressure." in told.out
    assert f"{name}:" in told.err
    assert f"The last good version in the records stays in force: {name}." in told.err
    assert len(_requests(store)) == 1


def test_the_brokers_secret_is_not_needed(site: Path, store: Path) -> None:
    """The service alone can see it, and who acknowledges does not connect."""
    text = site.read_text("utf-8")
    told = "broker:\n  user: guard\n  password_credential: broker-password\n"
    site.write_text(text.replace("broker:\n", told, 1), "utf-8")
    site.with_name("bookings.yaml").write_text("bookings: {x: 1}\n", "utf-8")
    assert main(["acknowledge", "--site", str(site)]) == 0
    assert len(_requests(store)) == 1


@pytest.mark.parametrize(
    ("column", "damaged"),
    [("utc_ms", "x"), ("utc_ms", 9 * 10**18), ("utc_ms", -9 * 10**18), ("sensed", "[" * 100_000)],
)
def test_a_damaged_decision_keeps_no_lockout(
    column: str, damaged: str | int, site: Path, store: Path, tmp_path: Path
) -> None:
    """The request is left, a backup is made, and commands that look back end without a trace."""
    with closing(sqlite3.connect(store / "slabtide.db", isolation_level=None)) as raw:
        raw.execute(f"UPDATE decision SET {column} = ?", (damaged,))
    assert main(["acknowledge", "--site", str(site)]) == 0
    (request,) = _requests(store)
    assert "loop_pressure" in request.read_text("utf-8")
    assert main(["backup", str(tmp_path / "copy.db"), "--site", str(site)]) == 0
    for command in (["why"], ["log", "--all"], ["log", "--json"], ["plan"], ["coast"], ["fit"]):
        assert main([*command, "--site", str(site)]) in (0, 1)
    assert main(["restore", str(tmp_path / "copy.db"), "--site", str(site)]) == 0
