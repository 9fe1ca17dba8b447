"""A tick in which planning fails."""

from typing import Any

import pytest

from controller import cycle
from controller.cycle import Carry, decide
from controller.records.decision import NoticeKind
from tests.controller.builders import (
    START,
    START_S,
    air,
    later,
    make_plan,
    make_situation,
    outdoor,
    slab,
)

PLAN = make_plan(made_s=START_S - 60.0)


@pytest.mark.parametrize("step", ["wish", "_estimate"])
def test_frost_protection_needs_no_plan(step: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where planning ends in an error, planned heat does, on record; a cold slab is heated."""

    def fails(*_: Any) -> Any:
        raise ZeroDivisionError("absurd")

    now, carry = START, Carry.at_start(None, START)
    for _ in range(40):
        _, carry = decide(make_situation(now=now, plan=PLAN), carry)
        now = later(10.0, now)
    assert carry.state.heating
    monkeypatch.setattr(cycle, step, fails)
    decision, carry = decide(make_situation(now=now, plan=PLAN), carry)
    assert decision.deciding is not None
    assert (decision.command.heat, decision.deciding.rule) == (False, "service")
    assert [n.kind for n in decision.notices] == [NoticeKind.UNEXPECTED_ERROR]
    cold = make_situation(slab(4.0), air(4.0), outdoor(), now=later(10.0, now), plan=PLAN)
    assert decide(cold, carry)[0].command.heat is True
