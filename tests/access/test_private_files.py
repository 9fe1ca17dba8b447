"""Whatever slabtide makes is for its user alone, under any umask; what lay open is closed."""

from __future__ import annotations

import importlib
import inspect
import logging
import os
import stat
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller import cli
from controller.configuration import load_all
from controller.privacy import UMASK, tighten
from controller.rehearsal.pacer import Pacer
from controller.requests import leave_acknowledgement
from controller.site_lock import site_lock
from controller.store import open_writer
from tests.access.conftest import ROOT


@pytest.fixture
def open_umask() -> Iterator[None]:
    """A umask that keeps nothing from anybody."""
    before = os.umask(0)
    yield
    os.umask(before)


def modes(folder: Path) -> dict[str, str]:
    """Everything below a folder with its mode."""
    return {
        str(path.relative_to(folder)): f"{stat.S_IMODE(path.lstat().st_mode):04o}"
        for path in sorted(folder.rglob("*"))
    }


def test_each_door_makes_private_files_by_itself(open_umask: None, tmp_path: Path) -> None:
    """Store, lock, requests and lockstep socket, without help from the process's umask."""
    store = tmp_path / "state"
    with (
        site_lock(store, tmp_path / "site.yaml"),
        closing(open_writer(store)),
        Pacer(tmp_path / "pace"),
    ):
        leave_acknowledgement(store, "boiler", at_s=1.0)
        found = modes(tmp_path)
    assert {name for name, mode in found.items() if mode == "0700"} == {"state", "state/requests"}
    files = {name for name, mode in found.items() if mode == "0600"}
    assert files >= {"pace", "state/service.lock", "state/slabtide.db", "state/slabtide.db-wal"}
    assert set(found.values()) == {"0600", "0700"}


def test_every_command_closes_its_umask(
    open_umask: None, capsys: pytest.CaptureFixture[str]
) -> None:
    """So that parents of folders and what libraries write are closed, too."""
    assert cli.main(["check", "--site", str(ROOT / "config" / "site.yaml")]) == 0
    assert os.umask(0) == UMASK


def test_the_demonstration_keeps_its_folder_private(
    open_umask: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its site, its store and what lies between, where --keep has them stay."""
    monkeypatch.syspath_prepend(ROOT / "deploy")
    demonstration = importlib.import_module("demonstration")
    demonstration.keep_private()
    site = demonstration._write_site(tmp_path / "far" / "kept", "localhost", 1883)
    open_writer(load_all(site).store).close()
    found = modes(tmp_path)
    assert {"far", "far/kept", "far/kept/limits.yaml", "far/kept/state/slabtide.db"} <= set(found)
    assert set(found.values()) == {"0600", "0700"}
    main = inspect.getsource(demonstration.main)
    assert main.index("keep_private()") < main.index("TemporaryDirectory")


def test_what_lay_open_is_closed_and_said(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """At the start, each once; what is not of ours, or only linked to, is left as it is."""
    store = tmp_path / "state"
    with closing(open_writer(store)):
        leave_acknowledgement(store, "boiler", at_s=1.0)
    (store / "slabtide-damaged-20270101T000000Z.db").touch()
    (store / "notes.txt").touch()
    (tmp_path / "elsewhere").touch()
    (store / "slabtide-link").symlink_to(tmp_path / "elsewhere")
    for path in [store, *store.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    loose = {path for path in store.rglob("*") if path.name not in ("notes.txt", "slabtide-link")}
    with caplog.at_level(logging.WARNING), site_lock(store, tmp_path / "site.yaml"):
        pass
    assert all(f"others could reach {path} " in caplog.text for path in {store, *loose})
    assert (store / "notes.txt").stat().st_mode & 0o777 == 0o644
    assert (tmp_path / "elsewhere").stat().st_mode & 0o777 == 0o644
    assert not any(path.stat().st_mode & 0o077 for path in {store, *loose})
    caplog.clear()
    tighten(store)
    assert caplog.messages == []


def test_what_cannot_be_closed_is_said_with_what_mends_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A file of another user's stays open, and the service goes on."""

    def refuse(self: Path, mode: int) -> None:
        raise PermissionError(1, "Operation not permitted")

    store = tmp_path / "state"
    store.mkdir(mode=0o755)
    monkeypatch.setattr(Path, "chmod", refuse)
    with caplog.at_level(logging.WARNING):
        tighten(store)
    [told] = caplog.messages
    assert told.endswith(f"mend it: chmod go-rwx {store}")


def test_a_shared_folder_stays_as_it_is(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """With folders of others in it, only our own files are closed, and that is said."""
    store = tmp_path / "shared"
    (store / "of-another-program").mkdir(parents=True)
    store.chmod(0o755)
    with closing(open_writer(store)), caplog.at_level(logging.WARNING):
        (store / "slabtide.db").chmod(0o644)
        tighten(store)
    assert store.stat().st_mode & 0o777 == 0o755
    assert (store / "slabtide.db").stat().st_mode & 0o077 == 0
    assert f"others may look into {store}" in caplog.text
