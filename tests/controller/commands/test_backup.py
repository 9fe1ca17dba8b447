"""``slabtide backup`` and ``slabtide restore`` from the command line."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from controller.cli import main
from controller.configuration import load_all
from controller.records.decision import Decision, HeaterState
from controller.site_lock import site_lock
from controller.store import open_reader, open_writer

EXAMPLES = Path(__file__).parents[3] / "config"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The example site in a folder of its own: its store has never been written."""
    shutil.copytree(EXAMPLES, tmp_path / "config")
    return tmp_path / "config" / "site.yaml"


@pytest.fixture
def run(site: Path) -> Callable[..., int]:
    """A command on that site."""

    def call(command: str, *arguments: object) -> int:
        return main([command, "--site", str(site), *map(str, arguments)])

    return call


@pytest.fixture
def decision(decide: Callable[..., Decision]) -> Decision:
    """The one that is on record."""
    return decide()


@pytest.fixture
def store(site: Path, decision: Decision) -> Path:
    """Its store, with one decision."""
    folder = load_all(site).store
    with closing(open_writer(folder)) as writer:
        writer.add_decision(decision, HeaterState(7))
    return folder


def test_there_and_back(
    run: Callable[..., int],
    store: Path,
    decision: Decision,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What was backed up while the service's lock is held is back after a loss."""
    copy = tmp_path / "copy.db"
    with site_lock(store, store / "site.yaml"):
        assert run("backup", copy) == 0
    assert "every page checked, up to 20" in capsys.readouterr().out
    (store / "slabtide.db").unlink()
    assert run("restore", copy) == 0
    assert "Restored, up to 20" in capsys.readouterr().out
    with closing(open_reader(store)) as reader:
        assert reader.latest_decision() == decision


def test_a_mistake_in_a_file_is_no_hindrance(
    run: Callable[..., int],
    site: Path,
    store: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Both go by the last good version, as the service does, and tell the mistake."""
    with closing(open_writer(store)) as writer:
        for name, text in load_all(site).texts.items():
            writer.keep_configuration(name, text, 1.7e9)
    site.with_name("bookings.yaml").write_text("bookings: {x: 1}\n", "utf-8")
    for command in ("backup", "restore"):
        assert run(command, tmp_path / "copy.db") == 0
        assert "stays in force: bookings.yaml" in capsys.readouterr().err


def test_a_running_service_is_not_restored_under(
    run: Callable[..., int], store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1, and nothing has changed."""
    run("backup", tmp_path / "copy.db")
    before = (store / "slabtide.db").read_bytes()
    with site_lock(store, store / "site.yaml"):
        assert run("restore", tmp_path / "copy.db") == 1
    assert "stop it first" in capsys.readouterr().err
    assert (store / "slabtide.db").read_bytes() == before


def test_a_backup_takes_no_files_place_unasked(
    run: Callable[..., int], store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and how it would be right; with --replace it does."""
    (tmp_path / "copy.db").write_bytes(b"precious")
    assert run("backup", tmp_path / "copy.db") == 2
    assert "--replace" in capsys.readouterr().err
    assert (tmp_path / "copy.db").read_bytes() == b"precious"
    assert run("backup", tmp_path / "copy.db", "--replace") == 0
    assert (tmp_path / "copy.db").read_bytes().startswith(b"SQLite format 3")


@pytest.mark.parametrize("place", ["nowhere/copy.db", "."])
def test_a_place_that_cannot_be_meant(
    run: Callable[..., int], store: Path, tmp_path: Path, place: str
) -> None:
    """A missing folder, or one instead of a file: exit code 2."""
    assert run("backup", tmp_path / place) == 2


def test_a_backup_among_the_records_is_none(run: Callable[..., int], store: Path) -> None:
    """It would be lost with them."""
    assert run("backup", store / "copy.db") == 2


def test_before_the_first_run(
    run: Callable[..., int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1: there is nothing to back up yet."""
    assert run("backup", tmp_path / "copy.db") == 1
    assert "Nothing was backed up: there is no store" in capsys.readouterr().err


def test_what_is_no_backup(
    run: Callable[..., int], store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, nothing is changed."""
    (tmp_path / "letter.txt").write_text("Dear owner, " * 1000)
    assert run("restore", tmp_path / "letter.txt") == 2
    assert "Nothing was changed" in capsys.readouterr().err


@pytest.mark.usefixtures("store")
def test_a_name_that_no_disk_takes(
    run: Callable[..., int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Bad input, told in a sentence."""
    assert run("backup", tmp_path / ("a" * 300)) == 2
    assert "cannot be used: File name too long" in capsys.readouterr().err
    assert run("restore", tmp_path / ("a" * 300)) == 2
    assert "cannot be used: File name too long" in capsys.readouterr().err


def test_another_sites_records_are_refused(
    run: Callable[..., int], store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """They would be taken for this one's past; a site that was renamed says so."""
    with closing(open_writer(store)) as writer:
        writer.keep_configuration("bookings.yaml", "sessions: []\n", 1.0)
        writer.keep_configuration("site.yaml", "# ours\nid: mossgate\nname: M\n", 2.0)
        writer.keep_configuration("limits.yaml", "slab_max_c: 40\n", 3.0)
    run("backup", tmp_path / "copy.db")
    before = (store / "slabtide.db").read_bytes()
    assert run("restore", tmp_path / "copy.db") == 2
    told = capsys.readouterr().err
    assert "the site mossgate" in told
    assert "--of-site mossgate" in told
    assert (store / "slabtide.db").read_bytes() == before
    assert run("restore", tmp_path / "copy.db", "--of-site", "mossgate") == 0
