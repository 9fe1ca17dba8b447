"""The store is fast enough: a tick must not wait, a planner not for minutes.

The bounds lie an order of magnitude above what a small home server was seen to need, so that
only a lost index or a scan of the whole table breaks them.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from controller.records.decision import Decision, HeaterState
from controller.records.readings import Reading
from controller.store import Reader, Writer


def test_sixty_days_of_samples(
    writer: Writer, reader: Reader, reading: Callable[..., Reading]
) -> None:
    """Sixty days of one sensor at one a minute come within a second (seen: 0.05 s)."""
    minutes = 60 * 1440
    writer.add_readings([reading(60.0 * n, n / 7) for n in range(minutes)])
    began_s = time.perf_counter()
    found = reader.samples("bay-air", 0.0, 60.0 * minutes)
    assert time.perf_counter() - began_s < 1.0
    assert len(found) == minutes


def test_a_decision_is_on_disk_at_once(
    writer: Writer, reader: Reader, decide: Callable[..., Decision]
) -> None:
    """The median decision takes less than 50 ms to be committed (seen: 0.5 ms on a fast disk)."""
    taken_s = []
    for n in range(50):
        began_s = time.perf_counter()
        writer.add_decision(decide(60.0 * n), HeaterState())
        taken_s.append(time.perf_counter() - began_s)
    assert sorted(taken_s)[25] < 0.05


def test_histories_are_read_by_index(writer: Writer) -> None:
    """The questions of learning and of the commands never scan a table."""
    explain = writer._connection.execute
    for question in (
        "SELECT utc_ms, heat, lease_ms FROM decision WHERE heater = ? AND utc_ms >= ? "
        "AND utc_ms < ? ORDER BY utc_ms, id",
        "SELECT value FROM reading WHERE sensor = ? AND measured_ms >= ? AND measured_ms < ? "
        "ORDER BY measured_ms, sequence",
    ):
        steps = [row[3] for row in explain(f"EXPLAIN QUERY PLAN {question}", ("1", 2, 3))]
        assert len(steps) == 1
        assert steps[0].startswith("SEARCH")
