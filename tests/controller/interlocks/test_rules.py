"""What holds for every rule, and for the list of them."""

from types import ModuleType

import pytest

from controller.interlocks import RULES
from controller.records.safety import Severity
from tests.controller.builders import MILD, Script


def test_names_are_unique() -> None:
    """Memories and lockouts go by name, so no two rules share one."""
    names = [rule.NAME for rule in RULES]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.NAME)
def test_a_quiet_tick_is_allowed(rule: ModuleType) -> None:
    """With mild, fresh readings no rule has anything against heat."""
    memory = {"armed": 1.0} if rule.NAME == "first_run" else {}
    assert Script(rule, memory).tick(*MILD).severity is Severity.ALLOW


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.NAME)
def test_a_rule_never_writes_into_its_memory(rule: ModuleType) -> None:
    """The memory that goes in stays as it was: the guard may have to fall back on it."""
    memory = {"armed": 1.0, "over_s": 1.0, "since_s": 1.0, "step_s": 90.0, "run_s": 1.0}
    before = dict(memory)
    script = Script(rule, memory)
    script.tick(*MILD)
    assert memory == before
