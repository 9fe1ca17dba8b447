"""A backup while the service writes, and the way back: neither sequence nor lockout falls back."""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from controller.records.decision import Decision, HeaterState
from controller.store import (
    StoreDamaged,
    StoreMissing,
    StoreUnsuitable,
    open_reader,
    open_writer,
)
from controller.store.backup import back_up, restore
from tests.controller.store.crash import is_whole, nursery, sequences
from tests.controller.store.test_older_stores import make_older

MakeDecision = Callable[..., Decision]
NOW_S = 1_795_000_000.0
LATCHED = frozenset({"relay_read_back"})


def fill(folder: Path, decide: MakeDecision, *, count: int, state: HeaterState) -> None:
    with closing(open_writer(folder)) as writer:
        for number in range(1, count + 1):
            writer.add_decision(decide(60.0 * number, sequence=number), state)


def as_store(copy: Path, folder: Path) -> Path:
    """A backup under the name that a store has, to be looked at."""
    folder.mkdir()
    (folder / "slabtide.db").write_bytes(copy.read_bytes())
    return folder


# --- backup -------------------------------------------------------------------------------------


def test_a_backup_of_a_store_that_is_written_to(folder: Path, tmp_path: Path) -> None:
    """Whole, without a hole, with all that was acknowledged before it began; the writer goes on."""
    with nursery() as writers:
        child = writers.begin(folder, pages=50)
        for number in range(6):
            acknowledged = writers.wait_for(25)
            target = tmp_path / f"copy-{number}.db"
            copy = back_up(folder, target)
            inside = as_store(target, tmp_path / f"seen-{number}")
            stored = sequences(inside)
            assert stored == list(range(1, len(stored) + 1))
            assert len(stored) >= acknowledged
            assert copy.last is not None
            assert copy.last.command.sequence == stored[-1]
            assert copy.size_bytes == target.stat().st_size
            assert is_whole(inside)
        os.kill(child, signal.SIGKILL)
        assert writers.last_words() > acknowledged


def test_a_backup_is_one_private_file(folder: Path, tmp_path: Path, decide: MakeDecision) -> None:
    """Mode 0600 whatever the umask is, and nothing is left beside it."""
    fill(folder, decide, count=3, state=HeaterState(3))
    before = set(tmp_path.iterdir())
    umask = os.umask(0)
    try:
        back_up(folder, tmp_path / "copy.db")
    finally:
        os.umask(umask)
    assert set(tmp_path.iterdir()) - before == {tmp_path / "copy.db"}
    assert stat.S_IMODE((tmp_path / "copy.db").stat().st_mode) == 0o600


def test_a_backup_of_nothing_leaves_what_was_there(folder: Path, tmp_path: Path) -> None:
    """Without a store there is no copy, and the last one stays."""
    (tmp_path / "copy.db").write_bytes(b"the last good copy")
    with pytest.raises(StoreMissing):
        back_up(folder, tmp_path / "copy.db")
    assert (tmp_path / "copy.db").read_bytes() == b"the last good copy"


def test_a_damaged_store_gives_no_backup(
    folder: Path, tmp_path: Path, decide: MakeDecision
) -> None:
    """A copy with a damaged page in it is worse than the copy of yesterday."""
    fill(folder, decide, count=60, state=HeaterState(3))
    content = bytearray((folder / "slabtide.db").read_bytes())
    content[-20_000:] = bytes(20_000)
    (folder / "slabtide.db").write_bytes(content)
    (tmp_path / "copy.db").write_bytes(b"yesterday")
    with pytest.raises(StoreDamaged):
        back_up(folder, tmp_path / "copy.db")
    assert (tmp_path / "copy.db").read_bytes() == b"yesterday"
    assert not list(tmp_path.glob(".copy*"))


# --- restore ------------------------------------------------------------------------------------


@pytest.fixture
def backup(folder: Path, tmp_path: Path, decide: MakeDecision) -> Path:
    """A backup of five decisions, of a store that has gone on since then."""
    memories = {"frost_protection": {"spent_s": 0.0}}
    fill(folder, decide, count=5, state=HeaterState(5, 300.0, True, frozenset(), memories))
    back_up(folder, tmp_path / "copy.db")
    return tmp_path / "copy.db"


def test_the_past_comes_back_and_the_present_stays(
    folder: Path, backup: Path, decide: MakeDecision
) -> None:
    """Decisions are the backup's; sequence, lockout and memories go on from where they were."""
    spent = {"frost_protection": {"spent_s": 900.0}}
    with closing(open_writer(folder)) as writer:
        state = HeaterState(5000, 9000.0, True, LATCHED, spent)
        writer.add_decision(decide(9000.0, sequence=5000), state)
    restored = restore(folder, backup, at_s=NOW_S)
    assert sequences(folder) == [1, 2, 3, 4, 5]
    assert restored.last == decide(300.0, sequence=5)
    assert restored.locked_out == ("boiler",)
    with closing(open_writer(folder)) as writer:
        assert writer.state("boiler") == HeaterState(5000, 9000.0, False, LATCHED, spent)
    assert restored.aside == folder / "slabtide-replaced-20261118T110640Z.db"
    with closing(sqlite3.connect(restored.aside)) as before:
        assert before.execute("SELECT max(sequence) FROM decision").fetchone() == (5000,)


def test_a_lockout_acknowledged_after_the_backup_holds_again(
    folder: Path, tmp_path: Path, decide: MakeDecision
) -> None:
    """Whoever restores is told so, and can acknowledge it; the other way would be worse."""
    fill(folder, decide, count=2, state=HeaterState(2, latched=LATCHED))
    back_up(folder, tmp_path / "copy.db")
    fill(folder, decide, count=1, state=HeaterState(3))
    assert restore(folder, tmp_path / "copy.db", at_s=NOW_S).locked_out == ("boiler",)


def test_a_lockout_known_by_its_mark_alone_holds(
    folder: Path, backup: Path, decide: MakeDecision
) -> None:
    """Where the store before is damaged, the mark beside it tells; memories begin at the worst."""
    with closing(open_writer(folder)) as writer:
        writer.add_decision(decide(9000.0), HeaterState(5000, latched=LATCHED))
    (folder / "slabtide.db").write_bytes(b"rubbish" * 5000)
    assert restore(folder, backup, at_s=NOW_S).locked_out == ("boiler",)
    with closing(open_writer(folder)) as writer:
        assert writer.state("boiler") == HeaterState(5, 300.0, False, LATCHED, None)


def test_a_restore_into_an_empty_folder(tmp_path: Path, backup: Path) -> None:
    """A new machine begins with the backup, its memories at their worst."""
    restored = restore(tmp_path / "new", backup, at_s=NOW_S)
    assert restored.aside is None
    assert is_whole(tmp_path / "new")
    with closing(open_writer(tmp_path / "new")) as writer:
        assert writer.state("boiler") == HeaterState(5, 300.0, False, frozenset(), None)


@pytest.mark.parametrize("version", [1, 2, 3, 4, 5])
def test_an_older_backup_is_carried_over(
    folder: Path, tmp_path: Path, decide: MakeDecision, version: int
) -> None:
    """A backup of an earlier version is brought up to date in the copy, not in itself."""
    make_older(tmp_path / "old", version, decide(300.0))
    source = tmp_path / "old" / "slabtide.db"
    restore(folder, source, at_s=NOW_S)
    with closing(open_reader(folder)) as reader:
        assert reader.decisions(0.0, 1e11) == ([decide(300.0)] if version >= 2 else [])
    with closing(sqlite3.connect(source)) as old:
        assert old.execute("PRAGMA user_version").fetchone() == (version,)


def not_there(path: Path) -> None:
    path.unlink()


def no_database(path: Path) -> None:
    path.write_bytes(b"no database " * 1000)


def foreign(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE recipe (x)")
        other.execute("PRAGMA user_version = 3")


def empty(path: Path) -> None:
    path.write_bytes(b"")


def newer(path: Path) -> None:
    with closing(sqlite3.connect(path)) as other:
        other.execute("PRAGMA user_version = 99")


def damaged(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[8192:] = b"\xa5" * (len(content) - 8192)
    path.write_bytes(content)


@pytest.mark.parametrize("spoil", [not_there, no_database, foreign, empty, newer, damaged])
def test_what_is_no_backup_is_refused(
    folder: Path, backup: Path, spoil: Callable[[Path], None]
) -> None:
    """Nothing is changed: not the store, not its folder."""
    spoil(backup)
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    with pytest.raises((StoreUnsuitable, StoreDamaged)):
        restore(folder, backup, at_s=NOW_S)
    after = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    assert after == before


def test_the_store_itself_is_no_backup(folder: Path, backup: Path) -> None:
    """It would be set aside and be gone."""
    with pytest.raises(StoreUnsuitable, match="the store itself"):
        restore(folder, folder / "slabtide.db", at_s=NOW_S)
