"""``slabtide fit --score``: the table beside the parameters."""

from __future__ import annotations

import json

import numpy as np
import pytest

from controller.commands import fit
from controller.commands._score import score_lines
from controller.configuration import Configuration
from controller.local_time import LocalTime
from controller.planning.score import Errors, Score
from controller.records.imported import imported_id
from controller.records.plan import ParameterSet
from controller.records.readings import Reading
from controller.records.site import OUTDOOR, Role
from controller.store import Reader, Writer

START_S = 1_768_176_000.0  # 2026-01-12 00:00 UTC


@pytest.fixture
def log(writer: Writer) -> None:
    """Four days: a cold room that follows a daily wave outdoors, without heat."""
    at_s = START_S + 300.0 * np.arange(4 * 288)
    wave_k = 3.0 * np.sin(2 * np.pi * at_s / 86400.0)
    columns = ((Role.AIR, "boat-bay", 5 + 0.3 * wave_k), (Role.POWER, "boiler", 0 * wave_k),
               (Role.OUTDOOR, OUTDOOR, 2 + wave_k))  # fmt: skip
    writer.add_imported(
        (
            Reading(imported_id(role, subject), role, subject, float(v), float(t), 2e9, 0.0, 0)
            for role, subject, values in columns
            for t, v in zip(at_s, values, strict=True)
        ),
        in_place_of={},
    )


@pytest.mark.usefixtures("log")
def test_errors_stand_beside_what_needs_no_model(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """Four rows of horizons; yesterday foretells equal days, so its column is nought."""
    assert fit.answer(configuration, reader, as_json=False, with_score=True) == 0
    told = capsys.readouterr().out
    rows = [line.split() for line in told.splitlines() if line[4:6] == " h"][:4]
    assert [row[0] for row in rows] == ["1", "6", "12", "24"]
    assert [row[-1] for row in rows] == ["0.00"] * 4
    # half a wave of 0.9 K either way: 2 x 0.9 / sqrt(2), less what 20 minutes' median smooths off
    assert float(rows[2][-2]) == pytest.approx(1.27, abs=0.02)


@pytest.mark.usefixtures("log")
def test_before_anything_is_learnt_the_description_is_judged(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """With --json the score has every number; the day-one values stand for what is in force."""
    fit.answer(configuration, reader, as_json=True, with_score=True)
    told = json.loads(capsys.readouterr().out)
    assert told["in_force"] is None
    assert told["score"]["parameter_set"] == "boat-bay-day-one"
    assert set(told["score"]["response"]) == {"1", "6", "12", "24"}
    assert told["score"]["response"]["24"]["count"] > 48


@pytest.mark.usefixtures("log")
def test_an_earlier_log_is_judged_where_the_service_has_measured_too_little(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Half an hour of readings a year later, alone, must not hide what was imported."""
    since_s = START_S + 365 * 86400.0
    writer.add_readings(
        [
            Reading("bay-air", Role.AIR, "boat-bay", 8.0, t, t, t, k)
            for k, t in enumerate(since_s + 60.0 * np.arange(30.0))
        ]
    )
    fit.answer(configuration, reader, as_json=False, with_score=True)
    assert "4 days of history, 2026-01-12 to 2026-01-1" in capsys.readouterr().out


def test_no_history_has_no_score(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """Said in both forms."""
    fit.answer(configuration, reader, as_json=False, with_score=True)
    assert "No score: room air was never measured." in capsys.readouterr().out
    fit.answer(configuration, reader, as_json=True, with_score=True)
    assert json.loads(capsys.readouterr().out)["score"] == {"none": "room air was never measured"}


@pytest.mark.usefixtures("log")
def test_a_set_that_cannot_be_read_is_said(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    learnt: tuple[ParameterSet, ParameterSet],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The stored set here lacks what its errors were: its numbers are shown, not judged."""
    writer.add_parameters(learnt[1])
    fit.answer(configuration, reader, as_json=False, with_score=True)
    told = capsys.readouterr().out
    assert "No score: this version cannot read the parameters" in told
    assert "heat loss" in told


def test_a_saying_without_starts_has_a_dash() -> None:
    """A history of a day and a half: nothing to say of yesterday at 24 h."""
    errors = {1: Errors(0.1, 0.02, 5), 24: Errors(0.5, -0.31, 3)}
    found = Score(
        "p1", START_S, START_S + 1.5 * 86400.0, True, False, errors, errors, {1: errors[1]}
    )
    *_, first, last = score_lines(found, LocalTime("Europe/Oslo"))
    assert first.split() == ["1", "h", "0.10", "+0.02", "5", "0.10", "0.10"]
    assert last.split() == ["24", "h", "0.50", "-0.31", "3", "0.50", "-"]
