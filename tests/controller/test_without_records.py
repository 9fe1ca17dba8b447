"""A service whose records can be neither written nor read, from its start on."""

from __future__ import annotations

import errno
import os
import sqlite3
from pathlib import Path

import pytest

from controller.store.lockout_marks import LockoutMarks, take_along
from controller.store.writer import open_lasting_writer
from tests.controller.builders import air, slab
from tests.controller.guard_bench import Workshop

COLD = (slab(3.0), air(3.0), slab(3.0, subject="loft"), air(3.0, subject="loft"))


def read_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have every file refused that is to be written."""
    real = os.open

    def refuse(path: Path, flags: int, *more: int) -> int:
        if flags & (os.O_RDWR | os.O_WRONLY | os.O_CREAT):
            raise OSError(errno.EROFS, "Read-only file system", str(path))
        return real(path, flags, *more)

    monkeypatch.setattr(os, "open", refuse)


def no_folder(folder: Path) -> Path:
    """A folder that cannot be made, whoever tries."""
    (folder / "file").touch()
    return folder / "file" / "records"


def served(folder: Path) -> Workshop:
    """A cold workshop after eleven minutes with the real store in this folder."""
    workshop = Workshop(folder)
    workshop.store = open_lasting_writer(folder)
    workshop.start()
    workshop.intake.readings = COLD
    workshop.run(660.0)
    return workshop


def judge(workshop: Workshop) -> None:
    assert workshop.last_sent() == {"boiler": True, "kettle": True}
    cries = workshop.cries()
    assert len(cries) >= 2 * 66
    for decision in cries:
        alarms = [n.text for n in decision.notices if n.alarm]
        assert [text for text in alarms if "records cannot be kept" in text] != []


def test_frost_protection_needs_no_folder(tmp_path: Path) -> None:
    """It heats; every decision goes to standard error, each with the alarm."""
    judge(served(no_folder(tmp_path)))


def test_frost_protection_needs_no_disk_that_can_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same on a disk that has become read-only, with the records of before."""
    open_lasting_writer(tmp_path).close()
    read_only(monkeypatch)
    judge(served(tmp_path))


def test_a_lockout_that_can_be_seen_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that is only read-only still tells who was locked out."""
    LockoutMarks(tmp_path).keep("boiler", frozenset({"loop_pressure"}))
    read_only(monkeypatch)
    assert served(tmp_path).last_sent() == {"boiler": False, "kettle": True}


def test_lockouts_that_cannot_be_looked_for_end_no_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder of another user, or a disk that gives errors: what is not known is no lockout."""
    LockoutMarks(tmp_path).keep("boiler", frozenset({"loop_pressure"}))

    def refuse(path: object, *_: object, **__: object) -> None:
        raise OSError(errno.EIO, "Input/output error", str(path))

    for name in ("stat", "scandir", "open", "listdir"):
        monkeypatch.setattr(os, name, refuse)
    monkeypatch.setattr(Path, "stat", refuse)
    monkeypatch.setattr(sqlite3, "connect", refuse)
    judge(served(tmp_path))
    take_along(tmp_path, tmp_path / "other")


def test_what_was_handed_on_is_seen_once_there_is_a_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lockout of a heater that is gone holds for all, also where it was seen late."""
    LockoutMarks(tmp_path).keep("stove", frozenset({"loop_pressure"}))
    with monkeypatch.context() as patched:

        def away(*_: object, **__: object) -> None:
            raise OSError(errno.EIO, "Input/output error")

        patched.setattr(os, "scandir", away)
        patched.setattr(os, "open", away)
        workshop = Workshop(tmp_path)
        workshop.store = open_lasting_writer(tmp_path)
        workshop.start()
        workshop.tick()
    workshop.intake.readings = COLD
    workshop.run(660.0)
    assert workshop.last_sent() == {"boiler": False, "kettle": False}
