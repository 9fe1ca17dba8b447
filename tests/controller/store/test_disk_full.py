"""A full disk: nothing half-written, OFF by the record's rule, and on when there is room again.

Two real limits that need no privileges: SQLite's own largest number of pages, and the kernel's
largest size of a file, which refuses the write itself.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from controller.records.decision import Decision, HeaterState
from controller.store import StoreFailed, open_lasting_writer
from tests.controller.store.crash import is_whole, sequences

MakeDecision = Callable[..., Decision]

LIMITED = """
import json, resource, sys
from pathlib import Path
from controller.records.decision import Command, Decision, HeaterState, Wish
from controller.records.instant import Instant
from controller.records.plan import BlockReason, Rung
from controller.store import StoreFailed, open_lasting_writer

writer = open_lasting_writer(Path(sys.argv[1]))
told = {True: [], False: []}

def store(sequence):
    at = Instant(1000.0 + sequence, float(sequence))
    wish = Wish(True, Rung.PROGRAMME, BlockReason.PREHEAT)
    command = Command("boiler", True, sequence, at.utc_s, 120.0)
    decision = Decision(at, "boiler", ("bay",), "x" * 3000, (), (), wish, (), None, command)
    try:
        writer.add_decision(decision, HeaterState(sequence=sequence))
    except StoreFailed:
        told[False].append(sequence)
    else:
        told[True].append(sequence)

hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
for sequence in range(1, 11):
    store(sequence)
resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, hard))
for sequence in range(11, 61):
    store(sequence)
notices = [notice.text for notice in writer.notices()]
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
for sequence in range(61, 71):
    store(sequence)
print(json.dumps([told[True], told[False], notices, len(writer.notices())]))
"""


def test_writes_that_the_kernel_refuses(tmp_path: Path) -> None:
    """What is told as stored is there, what failed is not, and it goes on when there is room."""
    run = subprocess.run(
        [sys.executable, "-c", LIMITED, str(tmp_path)], capture_output=True, text=True, check=True
    )
    stored, failed, notices, still = json.loads(run.stdout.splitlines()[-1])
    assert stored[:10] == list(range(1, 11))
    assert len(failed) >= 10
    assert stored[-10:] == list(range(61, 71))
    assert "No heat but frost protection" in notices[0]
    assert still == 0
    assert is_whole(tmp_path)
    assert sequences(tmp_path) == stored
    assert not list(tmp_path.glob("slabtide-damaged-*"))


def test_a_file_that_may_not_grow(folder: Path, decide: MakeDecision) -> None:
    """SQLITE_FULL: the call fails whole, the connection stays good, the next room is used."""
    with closing(open_lasting_writer(folder)) as writer:
        writer.add_decision(decide(60.0), HeaterState(1))
        (pages,) = writer._connection.execute("PRAGMA page_count").fetchone()
        writer._connection.execute(f"PRAGMA max_page_count = {pages + 1:d}")
        stored = [1]
        for number in range(2, 100):
            try:
                writer.add_decision(decide(60.0 * number, sequence=number), HeaterState(number))
            except StoreFailed:
                break
            stored.append(number)
        assert len(stored) < 90
        assert "full" in writer.notices()[0].text
        assert writer.state("boiler") == HeaterState(stored[-1])
        writer._connection.execute("PRAGMA max_page_count = 1000000")
        writer.add_decision(decide(1e6, sequence=100), HeaterState(100))
        assert writer.notices() == ()
    assert is_whole(folder)
    assert sequences(folder) == [*stored, 100]
