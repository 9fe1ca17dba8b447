"""Real SQLite stores in a temporary folder, and records to put into them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.records.decision import Command, Decision, Estimate, Notice, NoticeKind, Wish
from controller.records.instant import Instant
from controller.records.plan import BlockReason, Rung
from controller.records.readings import Condition, Quality, Reading, Sensed
from controller.records.safety import Clears, Severity, Verdict
from controller.records.site import Role
from controller.store import Reader, Writer, open_reader, open_writer


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where the store is to be; it does not exist yet."""
    return tmp_path / "record"


@pytest.fixture
def writer(folder: Path) -> Iterator[Writer]:
    """The writer of a new store."""
    with closing(open_writer(folder)) as opened:
        yield opened


@pytest.fixture
def reader(folder: Path, writer: Writer) -> Iterator[Reader]:
    """A reader of that store while the writer is open."""
    with closing(open_reader(folder)) as opened:
        yield opened


@pytest.fixture
def reading() -> Callable[..., Reading]:
    """Make an air reading."""

    def make(
        measured_s: float,
        value: float = 12.5,
        *,
        sensor: str = "bay-air",
        sequence: int = 0,
        quality: Quality = Quality.GOOD,
    ) -> Reading:
        return Reading(
            sensor=sensor,
            role=Role.AIR,
            subject="boat-bay",
            value=value,
            measured_s=measured_s,
            received_s=measured_s + 0.25,
            received_mono_s=measured_s,
            sequence=sequence,
            quality=quality,
        )

    return make


@pytest.fixture
def decide() -> Callable[..., Decision]:
    """Make a decision with every field filled."""
    verdict = Verdict(
        "slab_over_temperature",
        Severity.TRIP,
        "too_hot",
        Clears.WHEN_CLEAR,
        "bay-slab",
        {"value_c": 41.5, "limit_c": 40.0},
    )

    def make(
        utc_s: float,
        *,
        heat: bool = True,
        heater: str = "boiler",
        zones: tuple[str, ...] = ("boat-bay",),
        sequence: int = 1,
    ) -> Decision:
        return Decision(
            at=Instant(utc_s=utc_s, mono_s=utc_s / 2),
            heater=heater,
            zones=zones,
            version="0.1.0",
            sensed=(
                Sensed("bay-air", Role.AIR, "boat-bay", Condition.FRESH, 12.5, 3.25),
                Sensed("bay-slab", Role.SLAB, "boat-bay", Condition.MISSING),
            ),
            estimates=(Estimate("boat-bay", 12.5, None, "bay-1", 20.0, 19.0, 21.0),),
            wish=Wish(True, Rung.PROGRAMME, BlockReason.PREHEAT, "sat@2026-11-28", "plan-1"),
            verdicts=(verdict, Verdict("lockout", Severity.ALLOW, "clear")),
            deciding=verdict,
            command=Command(heater, heat, sequence, utc_s + 0.5, 120.0 if heat else 0.0),
            notices=(Notice(NoticeKind.STARTED, "The service has started.", alarm=True),),
        )

    return make
