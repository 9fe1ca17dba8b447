"""What was acknowledged is there after the writer was killed."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from controller.store import open_reader, open_writer

WRITER = """
import sys
from dataclasses import replace
from pathlib import Path
from controller.records.decision import Command, Decision, HeaterState, Wish
from controller.records.instant import Instant
from controller.records.plan import BlockReason, Rung
from controller.store import open_writer

writer = open_writer(Path(sys.argv[1]))
first = writer.last_sequence("boiler") + 1
for sequence in range(first, first + 100_000):
    at = Instant(1000.0 + sequence, float(sequence))
    wish = Wish(True, Rung.PROGRAMME, BlockReason.PREHEAT)
    command = Command("boiler", True, sequence, at.utc_s, 120.0)
    decision = Decision(at, "boiler", ("bay",), "x" * 3000, (), (), wish, (), None, command)
    writer.add_decision(decision, HeaterState(sequence=sequence))
    print(sequence, flush=True)
"""
KILLS = 10


def write_and_kill(folder: Path, *, after: int) -> int:
    """Kill the writer some rows after its start; give the last row that it acknowledged."""
    command = [sys.executable, "-c", WRITER, str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(after)]
        process.send_signal(signal.SIGKILL)
        lines += process.stdout.readlines()
    assert process.returncode == -signal.SIGKILL
    return int([line for line in lines if line.endswith("\n")][-1])


@pytest.mark.timeout(120)
def test_kill_loses_no_acknowledged_decision(tmp_path: Path) -> None:
    """After each of ten kills the file is whole, readable, and holds every decision told."""
    chance = random.Random(20)
    for _ in range(KILLS):
        acknowledged = write_and_kill(tmp_path, after=chance.randint(1, 60))
        with closing(open_reader(tmp_path)) as reader:
            stored = [d.command.sequence for d in reader.decisions(0.0, 1e9)]
        # the row in the making may be there too, but never with a hole before it
        assert stored == list(range(1, len(stored) + 1))
        assert acknowledged <= len(stored) <= acknowledged + 1
        with closing(sqlite3.connect(tmp_path / "slabtide.db")) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        with closing(open_writer(tmp_path)) as writer:
            state = writer.state("boiler")
            assert state is not None
            assert state.sequence == len(stored)


def test_reader_works_while_the_writer_writes_and_is_killed(tmp_path: Path) -> None:
    """A reader opened before the kill goes on answering, during and after."""
    open_writer(tmp_path).close()
    command = [sys.executable, "-c", WRITER, str(tmp_path)]
    with (
        closing(open_reader(tmp_path)) as reader,
        subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process,
    ):
        assert process.stdout is not None
        for _ in range(20):
            told = int(process.stdout.readline())
            last = reader.last_decision("boiler")
            assert last is not None
            assert last.command.sequence >= told
        process.kill()
        process.wait()
        last = reader.last_decision("boiler")
        assert last is not None
        assert last.command.sequence >= 20
