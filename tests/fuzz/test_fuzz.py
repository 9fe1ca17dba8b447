"""A small share of the fuzzing: a fixed seed, every kind of input; and that it can fail."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from controller.records.readings import Reading
from controller.sensors import decode as decoding
from tests.fuzz import ALL, payloads
from tests.fuzz.runner import run

SEED = 20261126
PAYLOADS = 4000
"""Of the most frequent kind; the long run has a million of all."""
SLOW = {"yaml": 16, "commands": 40, "intake": 4}
"""Cases of those that take longest, which their shares would round down to none."""


@pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.name)
def test_bad_input_breaks_no_promise(kind) -> None:
    """Whatever comes in is taken as it is meant or refused as promised: nothing else is raised."""
    count = SLOW.get(kind.name, max(1, round(PAYLOADS * kind.share))) / kind.share
    done, found = run([kind], round(count), seed=SEED)
    assert found == []
    assert done[kind.name] >= 4


def test_a_case_is_made_by_seed_kind_and_number_alone(tmp_path: Path) -> None:
    """What was found once can be made again."""
    for kind in ALL:
        folder = tmp_path / kind.name
        folder.mkdir()
        subject = kind(folder)
        cases = [subject.make(random.Random(f"1:{kind.name}:{n}")) for n in (5, 6, 5)]
        assert repr(cases[0]) == repr(cases[2]) or kind is payloads.WholeIntake
        assert repr(cases[0]) != repr(cases[1])


@pytest.mark.parametrize(
    ("name", "planted"),
    [
        ("number_of", lambda found: float(found)),
        ("_check_not_ahead", lambda own_time_s, at: None),
        ("printable", lambda payload: payload.decode("utf-8", "replace")[:80]),
        ("time_of", lambda found: float(found) if isinstance(found, float | str) else 0.0),
    ],
)
def test_a_planted_fault_is_found(monkeypatch: pytest.MonkeyPatch, name: str, planted) -> None:
    """A decoder that trusts what it is given breaks a promise within a few thousand payloads."""
    monkeypatch.setattr(decoding, name, planted)
    _, found = run([payloads.SensorPayloads], PAYLOADS, seed=SEED)
    assert found
    assert all(fault.kind == "sensors" for fault in found)


def test_good_payloads_are_readings() -> None:
    """The fuzzing starts from payloads that are taken: else it would only try refusals."""
    for sensor in payloads.SENSORS:
        for payload in payloads.GOOD[sensor.id]:
            message = decoding.Message(sensor.topic, payload, False, payloads.START, 1)
            assert isinstance(decoding.decode(sensor, message), Reading)
