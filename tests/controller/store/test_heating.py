"""The history of a heater's command, from its decisions."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from controller.records.decision import Decision, HeaterState
from controller.store import Reader, Writer

Keep = Callable[[Sequence[tuple[float, bool]]], None]


@pytest.fixture
def keep(writer: Writer, decide: Callable[..., Decision]) -> Keep:
    """Store decisions of the boiler: (time, heat)."""

    def store(commands: Sequence[tuple[float, bool]]) -> None:
        for utc_s, heat in commands:
            writer.add_decision(decide(utc_s, heat=heat), HeaterState())

    return store


def test_only_changes_are_told(keep: Keep, reader: Reader) -> None:
    """Rows that repeat the command fold into the change before them."""
    keep([(0.0, False), (60.0, True), (120.0, True), (180.0, False), (240.0, False)])
    assert reader.heating("boiler", 0.0, 300.0) == [(0.0, False), (60.0, True), (180.0, False)]


def test_the_one_in_force_at_the_start_comes_first(keep: Keep, reader: Reader) -> None:
    """The first entry lies at or before the start of the span."""
    keep([(0.0, False), (60.0, True), (120.0, True), (180.0, False)])
    assert reader.heating("boiler", 130.0, 300.0) == [(120.0, True), (180.0, False)]
    assert reader.heating("boiler", 120.0, 180.0) == [(120.0, True)]


def test_no_older_decision_means_no_entry_before(keep: Keep, reader: Reader) -> None:
    """Where nothing is that old, the first entry lies within the span; no heater, no entry."""
    keep([(100.0, True)])
    assert reader.heating("boiler", 0.0, 150.0) == [(100.0, True)]
    assert reader.heating("boiler", 0.0, 50.0) == []
    assert reader.heating("kiln", 0.0, 150.0) == []


def test_lease_ends_heat_that_nobody_renewed(keep: Keep, reader: Reader) -> None:
    """A service that died leaves heat for its last lease of 120 s, and no longer."""
    keep([(0.0, True), (60.0, True), (4000.0, True)])
    assert reader.heating("boiler", 0.0, 5000.0) == [
        (0.0, True),
        (180.0, False),
        (4000.0, True),
        (4120.0, False),
    ]


def test_span_that_starts_after_the_lease_lapsed_starts_cold(keep: Keep, reader: Reader) -> None:
    """The entry in force is the lapse, not the dead ON before it."""
    keep([(0.0, True), (4000.0, True)])
    assert reader.heating("boiler", 1000.0, 4050.0) == [(120.0, False), (4000.0, True)]
