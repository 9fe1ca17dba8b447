"""Requests left by commands: whole or not there, taken once, never trusted."""

from __future__ import annotations

import errno
import json
import os
import stat
from pathlib import Path

import pytest

from controller.requests import FOLDER, leave_acknowledgement, take_acknowledgements

HEATERS = frozenset({"boiler", "kettle"})


def test_what_is_left_is_taken_once(tmp_path: Path) -> None:
    """The service finds an acknowledgement at its next tick, and not again after that."""
    leave_acknowledgement(tmp_path, "boiler", at_s=1.0)
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {"boiler": frozenset()}
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {}


def test_what_waited_comes_with_it(tmp_path: Path) -> None:
    """The rules that an acknowledgement was given for."""
    leave_acknowledgement(tmp_path, "boiler", at_s=1.0, waits={"loop_pressure", "removed_role"})
    taken = take_acknowledgements(tmp_path, known=HEATERS).given
    assert taken == {"boiler": {"loop_pressure", "removed_role"}}


@pytest.mark.parametrize("waits", ["3", '"loop_pressure"', "{}", "[[], null, 7]", "null"])
def test_nonsense_in_what_waited_stands_for_nothing(tmp_path: Path, waits: str) -> None:
    """The heater is acknowledged, and no rule by name."""
    (tmp_path / FOLDER).mkdir()
    text = f'{{"acknowledge": "boiler", "waits": {waits}}}'
    (tmp_path / FOLDER / "acknowledge-boiler.json").write_text(text)
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {"boiler": frozenset()}


def test_several_heaters(tmp_path: Path) -> None:
    """Each heater is acknowledged by itself; asking twice is asking once."""
    for heater in ("boiler", "kettle", "boiler"):
        leave_acknowledgement(tmp_path, heater, at_s=1.0)
    assert set(take_acknowledgements(tmp_path, known=HEATERS).given) == {"boiler", "kettle"}


def test_no_store_yet(tmp_path: Path) -> None:
    """A store without requests, or none at all, is no error."""
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {}
    assert take_acknowledgements(tmp_path / "nowhere", known=HEATERS).given == {}


def test_private_to_the_user(tmp_path: Path) -> None:
    """Nobody else on the machine can lift a lockout."""
    final = leave_acknowledgement(tmp_path, "boiler", at_s=1.0)
    assert stat.S_IMODE(final.stat().st_mode) == 0o600
    assert stat.S_IMODE(final.parent.stat().st_mode) == 0o700
    assert [path.name for path in final.parent.iterdir()] == [final.name]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"\xff\xfe",
        b"null",
        b"[]",
        b"{}",
        b'{"acknowledge": 3}',
        b'{"acknowledge": null}',
        b'{"acknowledge": ["boiler"]}',
        b'{"acknowledge": "furnace"}',
        b'{"acknowledge": "\\ud800"}',
        b'{"acknowledge": "boiler"' + b" " * 5000 + b"}",
        b"[" * 100_000,
    ],
)
def test_nonsense_is_removed_and_acknowledges_nothing(tmp_path: Path, content: bytes) -> None:
    """A file that holds no request is taken away without effect, and hides no good one."""
    (tmp_path / FOLDER).mkdir()
    (tmp_path / FOLDER / "acknowledge-a.json").write_bytes(content)
    leave_acknowledgement(tmp_path, "boiler", at_s=1.0)
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {"boiler": frozenset()}
    assert list((tmp_path / FOLDER).iterdir()) == []


def test_what_cannot_be_removed_acknowledges_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A request that stays would lift every lockout to come, so it lifts none."""
    leave_acknowledgement(tmp_path, "boiler", at_s=1.0)

    def refuse(self: Path, missing_ok: bool = False) -> None:
        raise PermissionError(self)

    monkeypatch.setattr(Path, "unlink", refuse)
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {}


def test_a_folder_in_place_of_a_request(tmp_path: Path) -> None:
    """Not even a folder of that name ends a tick."""
    (tmp_path / FOLDER / "acknowledge-boiler.json").mkdir(parents=True)
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {}


def test_a_draft_is_not_a_request(tmp_path: Path) -> None:
    """What a killed command left half written is never taken."""
    (tmp_path / FOLDER).mkdir()
    draft = tmp_path / FOLDER / ".acknowledge-boiler.json.4711"
    draft.write_text(json.dumps({"acknowledge": "boiler", "at_s": 1.0}))
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {}


@pytest.mark.parametrize("form", ["pipe", "link"])
def test_what_is_no_file_holds_nothing_up(tmp_path: Path, form: str) -> None:
    """A pipe that nobody writes, and a link to what never ends, are removed unread."""
    (tmp_path / FOLDER).mkdir()
    path = tmp_path / FOLDER / "acknowledge-boiler.json"
    if form == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to("/dev/zero")
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {}
    assert not path.is_symlink()
    assert not path.exists()


def open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


@pytest.mark.parametrize("form", ["folder", "pipe"])
def test_nothing_stays_open(tmp_path: Path, form: str) -> None:
    """A folder cannot be removed like a file and is met at each tick: it must cost nothing."""
    path = tmp_path / FOLDER / "acknowledge-boiler.json"
    path.parent.mkdir()
    before = open_descriptors()
    for _ in range(5):
        path.mkdir(exist_ok=True) if form == "folder" else os.mkfifo(path)
        taken = take_acknowledgements(tmp_path, known=HEATERS)
        assert taken.given == {}
        assert len(taken.troubles) == 1
    assert open_descriptors() == before


@pytest.mark.parametrize("number", [errno.EIO, errno.EMFILE, errno.EACCES])
def test_a_folder_that_cannot_be_listed_is_told_and_no_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """A disk that is gone, no descriptor left, a folder that is root's."""
    leave_acknowledgement(tmp_path, "boiler", at_s=1.0)

    def refuse(path: Path) -> None:
        raise OSError(number, os.strerror(number), str(path))

    with monkeypatch.context() as patched:
        patched.setattr(os, "scandir", refuse)
        taken = take_acknowledgements(tmp_path, known=HEATERS)
    assert (taken.given, taken.listed) == ({}, False)
    (trouble,) = taken.troubles
    assert "cannot be read" in trouble
    assert os.strerror(number) in trouble
    assert take_acknowledgements(tmp_path, known=HEATERS).given == {"boiler": frozenset()}


def test_a_request_of_another_user_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the service may remove but not read is gone, and somebody believes it was heard."""
    final = leave_acknowledgement(tmp_path, "boiler", at_s=1.0)

    def refuse(path: Path, flags: int, *more: int) -> int:
        raise PermissionError(errno.EACCES, "Permission denied", str(path))

    with monkeypatch.context() as patched:
        patched.setattr(os, "open", refuse)
        taken = take_acknowledgements(tmp_path, known=HEATERS)
    assert taken.given == {}
    assert taken.listed
    (trouble,) = taken.troubles
    assert "could not be read" in trouble
    assert "Permission denied" in trouble
    assert not final.exists()


def test_a_name_of_any_bytes_can_be_told(tmp_path: Path) -> None:
    """What is said goes into the record, which is UTF-8; and many of them fill nothing."""
    (tmp_path / FOLDER).mkdir()
    for number in range(9):
        name = os.fsdecode(b"acknowledge-\xff%d.json" % number)
        (tmp_path / FOLDER / name).write_bytes(b"rubbish")
    troubles = take_acknowledgements(tmp_path, known=HEATERS).troubles
    assert len(troubles) == 3
    assert "".join(troubles).encode("utf-8")
