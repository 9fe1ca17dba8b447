"""``slabtide fit``."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from scipy import stats

from controller.codec import from_plain
from controller.commands import fit
from controller.configuration import Configuration
from controller.records.plan import ParameterSet, Value
from controller.store import Reader, Writer

Sets = tuple[ParameterSet, ParameterSet]


@pytest.mark.usefixtures("kept")
def test_learnt_values_stand_beside_day_one(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each parameter in an owner's unit with its interval, then the description's."""
    assert fit.answer(configuration, reader, as_json=False) == 0
    told = capsys.readouterr().out
    assert "boat-bay: learnt from 42 days of history (2026-10-16 to 2026-11-27)" in told
    rows = {line[2:15].strip(): line[17:].split("  ") for line in told.splitlines()[2:7]}
    # 52 h x exp(+-1.6449 x 3/52), 1/0.0055 W/K, 1/0.005 W/K, by hand
    assert rows["time constant"][0] == "52.0 h (47.3 to 57.2)"
    assert rows["time constant"][-1].strip() == "61.0 h (37.5 to 99.1)"
    assert rows["heat loss"][0] == "182 W/K (171 to 193)"
    assert rows["heat loss"][-1].strip() == "200 W/K (144 to 278)"
    assert rows["dead time"][0].startswith("1.9 h")
    assert "Predictions of room air were off by 0.08 K after 1 h, 0.70 K after 24 h (rms)." in told


def test_day_one_alone_says_so(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    learnt: Sets,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Before any history the values are called what they are, with no second column."""
    writer.add_parameters(learnt[0])
    fit.answer(configuration, reader, as_json=False)
    told = capsys.readouterr().out
    assert "not learnt yet, worked out from the building's description" in told
    assert "is not known before there is history" in told
    assert told.count("from the building's description") == 1


def test_nothing_yet_is_said(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """A zone without any parameters gets a sentence."""
    assert fit.answer(configuration, reader, as_json=False) == 0
    assert capsys.readouterr().out.startswith("boat-bay: nothing yet")


@pytest.mark.usefixtures("kept")
def test_json_holds_the_stored_sets(
    configuration: Configuration,
    reader: Reader,
    learnt: Sets,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """--json gives both sets with every number as stored."""
    fit.answer(configuration, reader, as_json=True)
    (line,) = capsys.readouterr().out.splitlines()
    told = json.loads(line)
    assert told["zone"] == "boat-bay"
    assert from_plain(ParameterSet, told["in_force"]) == learnt[1]
    assert from_plain(ParameterSet, told["day_one"]) == learnt[0]


def test_interval_of_a_positive_value_is_log_normal() -> None:
    """It holds 90 % of the log-normal distribution, and stays above zero."""
    low, high = fit.interval_90(Value(2.0, 3.0), positive=True)
    spread = stats.lognorm(s=1.5, scale=2.0)  # scipy is the reference here
    # 1e-4: the quantile is rounded to four decimals
    assert spread.cdf(high) - spread.cdf(low) == pytest.approx(0.9, abs=1e-4)
    assert 0.0 < low < 2.0 < high


def test_interval_of_a_signed_value_is_normal() -> None:
    """It holds 90 % of the normal distribution, symmetric about the value."""
    low, high = fit.interval_90(Value(-0.5, 1.0), positive=False)
    spread = stats.norm(-0.5, 1.0)
    assert spread.cdf(high) - spread.cdf(low) == pytest.approx(0.9, abs=1e-4)
    assert low + high == pytest.approx(-1.0)


def test_missing_and_zero_values_do_no_harm(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    learnt: Sets,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A set of another model, or with a gain of nought, is still shown."""
    odd = replace(learnt[1], values={"gain_k_per_w": Value(0.0, 0.0)}, span_start_s=None)
    writer.add_parameters(odd)
    assert fit.answer(configuration, reader, as_json=False) == 0
    told = capsys.readouterr().out
    assert "time constant  -" in told
    assert "learnt from history;" in told
