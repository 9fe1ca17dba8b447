"""The record fails under the real service: killed, damaged, locked, full, without room."""

from __future__ import annotations

import json
import os
import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from itertools import pairwise
from pathlib import Path

from controller.clock import SystemClock
from tests.controller.store.crash import is_whole
from tests.faults.pacing import Paced

KILLS = int(os.environ.get("SLABTIDE_SERVICE_KILLS", "3"))
FILE = "slabtide.db"
COLD_C = 3.0


@contextmanager
def locked(store: Path) -> Iterator[None]:
    """Another program holds the store's write lock."""
    with closing(sqlite3.connect(store / FILE, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def damage(store: Path) -> None:
    """Rubbish in the place of the file, its side files gone."""
    for path in store.glob(f"{FILE}*"):
        path.unlink()
    (store / FILE).write_bytes(b"no database " * 3000)


def changes_heard(paced: Paced) -> set[int]:
    """The sequence numbers with which what the relay was told changed."""
    orders = [json.loads(heard.payload) for heard in paced.workshop.relay.heard]
    told = [order for order in orders if "seq" in order]
    return {b["seq"] for a, b in pairwise(told) if a["heat"] != b["heat"]}


def test_no_command_that_a_relay_has_heard_is_lost_by_kills(paced: Paced) -> None:
    """After each kill the file is whole, and every switching of the relay is on record."""
    seed = int(os.environ.get("SLABTIDE_SEED", "4"))
    print(f"SLABTIDE_SEED={seed}")
    chance = random.Random(seed)
    for number in range(KILLS):
        paced.workshop.plan(heat=number % 2 == 0)
        paced.start()
        paced.tick(chance.randint(32, 50))
        paced.service.end()
        paced.pass_time(150.0)
        assert is_whole(paced.workshop.store)
        recorded = {decision.command.sequence for decision in paced.workshop.decisions()}
        assert changes_heard(paced) <= recorded
    assert len(changes_heard(paced)) >= KILLS // 2


def test_a_store_damaged_at_the_start_is_set_aside(paced: Paced) -> None:
    """The service runs, says so in its record, heats by plan again, and learns anew."""
    paced.start()
    paced.tick(5)
    paced.service.end()
    damage(paced.workshop.store)
    paced.pass_time(150.0)
    paced.start()
    paced.tick_until(True)
    (aside,) = paced.workshop.store.glob("slabtide-damaged-*.db")
    first = paced.workshop.decisions()[0]
    assert any(notice.alarm and aside.name in notice.text for notice in first.notices)
    assert is_whole(paced.workshop.store)


def test_a_store_damaged_while_it_heats(paced: Paced) -> None:
    """A new record, and heat again."""
    paced.start()
    paced.tick_until(True)
    damage(paced.workshop.store)
    paced.tick(12)
    paced.tick_until(True)
    assert list(paced.workshop.store.glob("slabtide-damaged-*.db"))
    assert paced.workshop.last().command.heat


def test_a_locked_store_means_no_planned_heat(paced: Paced, noted: Callable[..., None]) -> None:
    """Locked under heat: off by the next row. Locked at the start: off until it is free."""
    paced.start()
    paced.tick_until(True)
    with locked(paced.workshop.store):
        began_s = paced.clock.now().mono_s
        paced.tick_until(False, at_most=12)
        off_s = paced.clock.now().mono_s - began_s
        noted("records locked while it heats", off_s, bound_s=80.0, clock="relay's own")
        paced.service.end()
        paced.pass_time(150.0)
        began_s = SystemClock().now().mono_s
        paced.start()
        paced.tick(45)
        assert not paced.workshop.relay.closed
        assert SystemClock().now().mono_s - began_s < 45 * 2.0
    paced.tick_until(True)
    assert paced.workshop.last().command.heat
    assert is_whole(paced.workshop.store)


def test_frost_protection_heats_with_the_store_locked(paced: Paced) -> None:
    """Pipes are guarded by what the sensors say; once it can be written it stands on record."""
    paced.workshop.values.update({"bay-slab": COLD_C, "bay-air": COLD_C})
    paced.workshop.plan(heat=False)
    paced.start()
    paced.tick(2)
    paced.service.end()
    paced.pass_time(150.0)
    with locked(paced.workshop.store):
        paced.start()
        paced.tick_until(True, at_most=12)
    paced.tick(2)
    deciding = paced.workshop.last().deciding
    assert deciding is not None
    assert deciding.rule == "frost_protection"


def test_a_backup_of_the_running_service_and_back(paced: Paced) -> None:
    """Whole and up to the moment; no restore under it; after one the relay hears newer orders."""
    workshop, copy = paced.workshop, paced.workshop.folder / "copy.db"
    paced.start()
    paced.tick(10)
    assert workshop.command("backup", str(copy)) == 0
    backed_up = workshop.last().command.sequence
    assert workshop.command("restore", str(copy)) == 1
    paced.tick_until(True)
    assert paced.stop() == 0
    seen = max(json.loads(heard.payload).get("seq", 0) for heard in workshop.relay.heard)
    assert workshop.command("restore", str(copy)) == 0
    assert workshop.last().command.sequence == backed_up < seen
    paced.start()
    paced.tick(2)
    assert workshop.last().command.sequence > seen
