"""What was acknowledged is there after the writer was killed."""

from __future__ import annotations

import os
import random
from contextlib import closing
from pathlib import Path

import pytest

from controller.store import open_reader, open_writer
from tests.controller.store.crash import is_whole, nursery, sequences

KILLS = int(os.environ.get("SLABTIDE_KILLS", "200"))
KILLS_OF_ONE_FILE = 10
SEED = int(os.environ.get("SLABTIDE_SEED", "20"))


@pytest.mark.timeout(120 + KILLS)
def test_kill_loses_no_acknowledged_decision(tmp_path: Path) -> None:
    """After each of 200 kills the file is whole, and holds every decision told and no hole."""
    print(f"SLABTIDE_SEED={SEED}")
    chance = random.Random(SEED)
    with nursery() as writers:
        for number in range(KILLS):
            folder = tmp_path / str(number // KILLS_OF_ONE_FILE)
            acknowledged = writers.write_and_kill(
                folder,
                pages=chance.choice((1, 5, 50, 1000)),
                after=chance.randint(0, 8),
                pause_s=chance.choice((0.0, 0.003 * chance.random())),
            )
            assert is_whole(folder)
            stored = sequences(folder)
            assert stored == list(range(1, len(stored) + 1))
            assert len(stored) >= acknowledged
    with closing(open_reader(folder)) as reader:
        assert [d.command.sequence for d in reader.decisions(0.0, 1e9)] == stored
    with closing(open_writer(folder)) as writer:
        state = writer.state("boiler")
        assert state is not None
        assert state.sequence == len(stored)


def test_reader_works_while_the_writer_writes_and_is_killed(tmp_path: Path) -> None:
    """A reader opened before the kills goes on answering, with all that was acknowledged."""
    open_writer(tmp_path).close()
    with closing(open_reader(tmp_path)) as reader, nursery() as writers:
        for after in (1, 20, 3):
            acknowledged = writers.write_and_kill(tmp_path, pages=5, after=after)
            last = reader.last_decision("boiler")
            assert last is not None
            assert last.command.sequence >= acknowledged
