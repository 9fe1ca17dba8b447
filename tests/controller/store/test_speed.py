"""The store is fast enough: a tick must not wait, a planner not for minutes.

The bounds lie an order of magnitude above what a small home server was seen to need, so that
only a lost index or a scan of the whole table breaks them.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable

from controller.records.decision import Decision, HeaterState
from controller.records.readings import Reading
from controller.store import Reader, Writer

SCAN = re.compile("SCAN (decision|reading|rolled|plan|forecast|readback|folded)\\b")
"""A walk through all of a table that grows."""


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


def test_no_question_scans_a_table_that_grows(
    writer: Writer, reader: Reader, reading: Callable[..., Reading], decide: Callable[..., Decision]
) -> None:
    """Every question of planner, service and commands reaches its rows by an index or its end.

    A store of years answers only so: what is asked is looked up here as SQLite would run it.
    """
    writer.add_readings([reading(60.0)])
    writer.add_decision(decide(60.0), HeaterState())
    asked: list[str] = []
    for connection in (reader._connection, writer._connection):
        connection.set_trace_callback(asked.append)
    reader.samples("bay-air", 0.0, 1e6)
    reader.span_s("bay-air", 0.0, 1e6)
    reader.heating("boiler", 0.0, 1e6)
    reader.forecasts(0.0, 1e6)
    reader.decisions(0.0, 1e6)
    reader.decisions(0.0, 1e6, zone="boat-bay", heater="boiler")
    reader.decision_at(1e6)
    reader.decision_at(1e6, "boiler")
    reader.last_decision("boiler")
    reader.latest_decision()
    reader.latest_plan("boiler")
    reader.plan("plan-1")
    reader.latest_parameters("boat-bay")
    reader.readback("boiler", 1)
    writer.state("boiler")
    writer.last_sequence("boiler")
    writer.was_locked_out("boiler")
    writer.condense(1e11)
    for connection in (reader._connection, writer._connection):
        connection.set_trace_callback(None)
    questions = [text for text in asked if text.lstrip().startswith(("SELECT", "WITH", "DELETE"))]
    assert len(questions) >= 18
    scans = {
        f"{step[3]}: {question}"
        for question in questions
        for step in reader._connection.execute(f"EXPLAIN QUERY PLAN {question}")
        if SCAN.match(step[3]) and not question.endswith("ORDER BY id DESC LIMIT 1")
    }
    assert scans == set()
