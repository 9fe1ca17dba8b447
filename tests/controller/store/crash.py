"""Writers that are killed, and files as a power cut leaves them."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import IO

NURSERY = """
import os, sys
from pathlib import Path
from controller.records.decision import Command, Decision, HeaterState, Wish
from controller.records.instant import Instant
from controller.records.plan import BlockReason, Rung
from controller.store import open_writer

def write(folder, pages):
    writer = open_writer(folder)
    writer._connection.execute(f"PRAGMA wal_autocheckpoint = {pages:d}")
    first = writer.last_sequence("boiler") + 1
    for sequence in range(first, first + 100_000):
        at = Instant(1000.0 + sequence, float(sequence))
        wish = Wish(True, Rung.PROGRAMME, BlockReason.PREHEAT)
        command = Command("boiler", True, sequence, at.utc_s, 120.0)
        decision = Decision(at, "boiler", ("bay",), "x" * 3000, (), (), wish, (), None, command)
        writer.add_decision(decision, HeaterState(sequence=sequence))
        os.write(1, b"%d\\n" % sequence)

for line in sys.stdin:
    folder, pages = line.split()
    go, begin = os.pipe()
    child = os.fork()
    if child == 0:
        os.read(go, 1)
        write(Path(folder), int(pages))
    os.write(1, b"born %d\\n" % child)
    os.write(begin, b"!")
    os.close(go)
    os.close(begin)
    os.waitpid(child, 0)
    os.write(1, b"gone\\n")
"""
"""Forks one writer at a time: with all modules loaded already, a birth costs a millisecond."""


class Nursery:
    """Brings forth writers that store decisions 1, 2, 3 and so on, and say each one stored."""

    def __init__(self, pipe_in: IO[str], pipe_out: IO[str]) -> None:
        self._in, self._out = pipe_in, pipe_out
        self._told = 0

    def write_and_kill(self, folder: Path, *, pages: int, after: int, pause_s: float = 0.0) -> int:
        """Kill a writer once it has told of ``after`` decisions; the last it told of, or 0.

        The pause [s] lets the kill fall anywhere within the next write.
        """
        child = self.begin(folder, pages=pages)
        self.wait_for(after)
        time.sleep(pause_s)
        os.kill(child, signal.SIGKILL)
        return self.last_words()

    def begin(self, folder: Path, *, pages: int) -> int:
        """Bring forth a writer; its process id.

        ``pages`` is how often the write-ahead log is folded into the file, so that kills fall
        into that as well.
        """
        self._told = 0
        self._in.write(f"{folder} {pages}\n")
        self._in.flush()
        return int(self._word().removeprefix("born "))

    def wait_for(self, count: int) -> int:
        """Wait until it has told of so many more decisions; the last it told of."""
        for _ in range(count):
            self._told = int(self._word())
        return self._told

    def last_words(self) -> int:
        """The last decision that a writer told of before its end."""
        while (word := self._word()) != "gone":
            self._told = int(word)
        return self._told

    def _word(self) -> str:
        return self._out.readline().strip()


@contextmanager
def nursery() -> Iterator[Nursery]:
    """A nursery that is closed at the end."""
    command = [sys.executable, "-c", NURSERY]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        yield Nursery(process.stdin, process.stdout)
        process.stdin.close()
    assert process.returncode == 0


def is_whole(folder: Path) -> bool:
    """Whether the file passes SQLite's own check; where none was made yet, nothing is wrong."""
    if not (folder / "slabtide.db").exists():
        return True
    with closing(sqlite3.connect(folder / "slabtide.db")) as raw:
        return bool(raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)])


def sequences(folder: Path) -> list[int]:
    """The sequence numbers of all decisions in a file, in order of writing."""
    if not (folder / "slabtide.db").exists():
        return []
    with closing(sqlite3.connect(folder / "slabtide.db")) as raw:
        if not raw.execute("SELECT 1 FROM sqlite_schema WHERE name = 'decision'").fetchall():
            return []  # killed before its schema was made
        return [row[0] for row in raw.execute("SELECT sequence FROM decision ORDER BY id")]
