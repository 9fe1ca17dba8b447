"""The supervisor among rules that fail and sensors that come and go."""

from collections.abc import Mapping
from random import Random
from types import SimpleNamespace
from typing import Any

import pytest

from controller import supervisor
from controller.interlocks import RULES
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role
from controller.supervisor import supervise
from controller.verdict_sentences import verdict_sentence
from tests.controller.builders import HOUR_S, air, lost, slab, view

ARMED = {"first_run": {"armed": 1.0}}


def with_broken_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put a rule that ends in an error among the real ones."""

    def judge(_: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
        raise ZeroDivisionError

    broken = SimpleNamespace(NAME="broken", SENTENCES={}, judge=judge)
    monkeypatch.setattr(supervisor, "RULES", (*RULES[:3], broken, *RULES[3:]))


def test_a_rule_that_fails_forbids_heat(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rule that ends in an error is recorded as OFF and keeps its memory; others go on."""
    with_broken_rule(monkeypatch)
    ruling = supervise(view(), {**ARMED, "broken": {"kept": 1.0}})
    assert ruling.heat is False
    assert ruling.deciding == Verdict(
        "broken", Severity.OFF, "failed", Clears.WHEN_CLEAR, "ZeroDivisionError"
    )
    assert len(ruling.verdicts) == len(RULES) + 1
    assert ruling.memories["broken"] == {"kept": 1.0}
    assert "ZeroDivisionError" in verdict_sentence(ruling.deciding)


def test_a_rule_that_answers_nonsense_forbids_heat(monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer that is no verdict with a memory is a failure like another."""
    broken: Any = SimpleNamespace(NAME="broken", SENTENCES={}, judge=lambda *_: None)
    monkeypatch.setattr(supervisor, "RULES", (*RULES, broken))
    assert supervise(view(), ARMED).heat is False


def test_a_rule_that_fails_freezes_no_pipes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Frost protection beats a failing rule; a hard limit that is exceeded beats both."""
    with_broken_rule(monkeypatch)
    assert supervise(view(slab(3.0), air(3.0)), ARMED).heat is True
    assert supervise(view(slab(3.0), slab(41.0, sensor="b"), air(3.0)), ARMED).heat is False


@pytest.mark.parametrize("seed", range(4))
def test_no_hour_of_a_flapping_sensor_holds_more_than_the_duty(seed: int) -> None:
    """Blind heat and what the minimum on time makes of it stay within 15 min of any hour."""
    draw, heats = Random(seed), []
    memories: Mapping[str, Memory] = {**ARMED, "frost_protection": {"minute_s": 0.0}}
    heating, age_s, seen, left = False, HOUR_S, True, 0
    for _ in range(1500):
        if left == 0:
            seen, left = not seen, draw.choice([1, 3, 30, 120])
        left -= 1
        readings = (slab(9.0), air(9.0)) if seen else (lost(Role.SLAB), air(4.0))
        seen_now = view(*readings, heat_wanted=False, heating=heating, command_age_s=age_s)
        ruling = supervise(seen_now, memories)
        age_s = 0.0 if ruling.heat != heating else age_s + 10.0
        heating, memories = ruling.heat, ruling.memories
        heats.append(heating)
    spans = [10.0 * sum(heats[at : at + 360]) for at in range(len(heats) - 359)]
    assert 0.0 < max(spans) <= 900.0
