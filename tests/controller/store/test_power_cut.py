"""A power cut in the middle of a write: every beginning of the write-ahead log is a whole store.

What SQLite promises of the log: a transaction counts once its commit frame is whole, and frames
are 24 bytes and a page, after a header of 32 bytes (https://sqlite.org/fileformat2.html, section
4.1). The commits measured here are those of the real writer.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.records.decision import Decision, HeaterState
from controller.records.readings import Reading
from controller.store import Writer, open_writer
from tests.controller.store.crash import is_whole, sequences

HEADER_BYTES = 32
FRAME_BYTES = 24 + 4096
DECISIONS = 12


@dataclass(frozen=True)
class Snapshot:
    """A store with an unfolded log: how long the log was after each decision, and the files."""

    database: bytes
    folded: bytes
    log: bytes
    ends: tuple[int, ...]

    def committed(self, length: int) -> list[int]:
        """The decisions whose commit lies whole within the log's first bytes."""
        return [number for number, end in enumerate(self.ends, start=1) if end <= length]


@pytest.fixture
def snapshot(
    folder: Path, decide: Callable[..., Decision], reading: Callable[..., Reading]
) -> Snapshot:
    """Decisions with readings between them, so that commits differ in their number of frames."""
    open_writer(folder).close()
    log, ends = folder / "slabtide.db-wal", []
    writer = open_writer(folder)
    writer._connection.execute("PRAGMA wal_autocheckpoint = 0")
    for number in range(1, DECISIONS + 1):
        if number % 3 == 0:
            writer.add_readings([reading(60.0 * k + number) for k in range(40 * number)])
        writer.add_decision(decide(60.0 * number, sequence=number), HeaterState(sequence=number))
        ends.append(log.stat().st_size)
    whole, database = log.read_bytes(), (folder / "slabtide.db").read_bytes()
    writer.close()
    return Snapshot(database, (folder / "slabtide.db").read_bytes(), whole, tuple(ends))


def left_behind(folder: Path, database: bytes, log: bytes) -> Path:
    """A folder as the power cut left it."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "slabtide.db").write_bytes(database)
    (folder / "slabtide.db-wal").write_bytes(log)
    return folder


def state_of(writer: Writer) -> int:
    state = writer.state("boiler")
    return 0 if state is None else state.sequence


def lengths(snapshot: Snapshot) -> Iterator[int]:
    """Every frame's border, and places before, just after and within each frame."""
    yield from (0, 1, HEADER_BYTES - 1, HEADER_BYTES)
    for start in range(HEADER_BYTES, len(snapshot.log), FRAME_BYTES):
        for within in (1, 23, 24, 25, 2000, FRAME_BYTES - 1, FRAME_BYTES):
            yield start + within


def test_every_beginning_of_the_log_is_a_whole_store(snapshot: Snapshot, tmp_path: Path) -> None:
    """It opens, passes the check, and holds the decisions whose commit is whole: no other."""
    assert len(snapshot.log) > 20 * FRAME_BYTES
    assert (len(snapshot.log) - HEADER_BYTES) % FRAME_BYTES == 0
    for length in lengths(snapshot):
        cut = left_behind(tmp_path / "cut", snapshot.database, snapshot.log[:length])
        expected = snapshot.committed(length)
        with closing(open_writer(cut)) as writer:
            assert state_of(writer) == len(expected), f"log of {length} bytes"
        assert is_whole(cut)
        assert sequences(cut) == expected, f"log of {length} bytes"


def test_a_torn_end_of_the_log_counts_for_nothing(snapshot: Snapshot, tmp_path: Path) -> None:
    """Zeros, or what lay on the disk before, in place of what was not written yet."""
    chance = random.Random(7)
    for _ in range(60):
        length = chance.randrange(HEADER_BYTES, len(snapshot.log))
        missing = len(snapshot.log) - length
        rest = chance.choice((bytes(missing), chance.randbytes(missing)))
        cut = left_behind(tmp_path / "cut", snapshot.database, snapshot.log[:length] + rest)
        open_writer(cut).close()
        assert is_whole(cut)
        assert sequences(cut) == snapshot.committed(length), f"torn at {length} bytes"


def test_a_cut_while_the_log_is_folded_in_loses_nothing(snapshot: Snapshot, tmp_path: Path) -> None:
    """Some pages are in the file already, one of them torn: the log makes them good."""
    chance, page = random.Random(8), 4096
    for _ in range(40):
        size = max(len(snapshot.folded), len(snapshot.database))
        pages = bytearray(snapshot.database.ljust(size, b"\0"))
        for start in range(0, size, page):
            if chance.random() < 0.5:
                written = chance.choice((page, page, page // 8))
                pages[start : start + written] = snapshot.folded[start : start + written]
        cut = left_behind(tmp_path / "cut", bytes(pages), snapshot.log)
        open_writer(cut).close()
        assert is_whole(cut)
        assert sequences(cut) == list(range(1, DECISIONS + 1))
