"""What pump and valves were told is on record and can be read back."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from controller.local_time import LocalTime
from controller.output_sentences import output_sentence, outputs_in_short
from controller.records.decision import Decision
from controller.records.outputs import OutputCommand, OutputReason
from controller.sentences import Background, explain, headline
from controller.store import open_reader, open_writer
from tests.controller.outputs.shop import VALVE, Shop, make_loop

BACKGROUND = Background(LocalTime("Europe/Berlin"))


@pytest.fixture
def waiting() -> Decision:
    """The first decision of a preheat: the valve opens, heat and pump wait."""
    shop = Shop(loops=(make_loop(VALVE),))
    shop.wanted = False
    shop.run(1200.0)
    shop.wanted = True
    return shop.tick()


def test_a_decision_comes_back_with_what_every_output_was_told(
    tmp_path: Path, waiting: Decision
) -> None:
    """Through the store and back."""
    shop = Shop()
    with closing(open_writer(tmp_path)) as writer:
        writer.add_decision(waiting, shop.carry.state)
    with closing(open_reader(tmp_path)) as reader:
        found = reader.last_decision("boiler")
    assert found is not None
    assert found.outputs == waiting.outputs
    assert len(found.outputs) == 2


def test_why_tells_each_output_and_its_reason(waiting: Decision) -> None:
    """One sentence each, and the reason why there is no heat yet."""
    sections = {s.title: s.sentences for s in explain(waiting, None, BACKGROUND)}
    assert sections["Pump and valves"] == (
        "pump: OFF, until a loop is open.",
        "valve: ON, for heat; unless renewed, a relay that counts leases drops out 13 min later.",
    )
    assert headline(waiting, BACKGROUND).startswith("Heat waits until a loop is open: valve was")


def test_without_outputs_nothing_is_said_of_them() -> None:
    """The base case reads as it did."""
    decision = Shop(pump=None).tick()
    assert "Pump and valves" not in {s.title for s in explain(decision, None, BACKGROUND)}
    assert outputs_in_short(decision.outputs) == ""


@pytest.mark.parametrize("reason", OutputReason)
@pytest.mark.parametrize("on", [True, False])
def test_every_reason_has_its_words(reason: OutputReason, on: bool) -> None:
    """None is told by its code."""
    told = OutputCommand("circulator", on, reason, 7, 0.0, 480.0 if on else 0.0)
    sentence = output_sentence(told)
    assert sentence.startswith(f"circulator: {'ON' if on else 'OFF'}, ")
    assert sentence.endswith(".")


def test_the_log_names_those_that_are_on(waiting: Decision) -> None:
    """In one bracket behind the reason."""
    assert outputs_in_short(waiting.outputs) == " (on: valve)"
