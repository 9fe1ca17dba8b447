"""What is mutated, and which tests must notice, the narrowest first."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
UNIT = "tests/controller"


SHARED = {
    "doubt": (
        f"{UNIT}/test_doubt.py",
        f"{UNIT}/interlocks/test_stuck_reading.py",
        f"{UNIT}/interlocks/test_sensors_that_disagree.py",
    ),
    "flow_pairs": (f"{UNIT}/interlocks/test_no_flow_or_no_heat.py",),
    "needed": (f"{UNIT}/interlocks/test_stale_reading.py", f"{UNIT}/interlocks/test_rules.py"),
    "rule": (
        f"{UNIT}/interlocks/test_slab_over_temperature.py",
        f"{UNIT}/interlocks/test_supply_over_temperature.py",
        f"{UNIT}/interlocks/test_relay_read_back.py",
        f"{UNIT}/interlocks/test_rules.py",
        f"{UNIT}/test_supervisor_adverse.py",
    ),
}
"""What several rules share -> the tests of those that lean on it most."""

FURTHER = {
    "frost_protection": (
        f"{UNIT}/interlocks/test_frost_times.py",
        f"{UNIT}/interlocks/test_frost_return.py",
        f"{UNIT}/interlocks/test_frost_next_door.py",
    ),
    "loop_pressure": (f"{UNIT}/interlocks/test_loop_pressure_basis.py",),
    "no_flow_or_no_heat": (
        f"{UNIT}/interlocks/test_no_flow_times.py",
        f"{UNIT}/interlocks/test_no_flow_unseen.py",
    ),
    "stuck_reading": (f"{UNIT}/interlocks/test_stuck_reading_dues.py",),
}
"""Rule -> tests of it in files beside that of its name."""


@dataclass(frozen=True, slots=True)
class Target:
    """One module with its tests. ``only`` limits the mutants to some of its definitions."""

    module: str
    tests: tuple[str, ...]
    only: frozenset[str] = frozenset()

    @property
    def name(self) -> str:
        return self.module.removesuffix(".py").replace("/", ".")


_CORE = (
    Target(
        "controller/supervisor.py",
        (
            f"{UNIT}/test_supervisor.py",
            f"{UNIT}/test_supervisor_adverse.py",
            f"{UNIT}/test_not_sent.py",
            f"{UNIT}/test_acknowledgements.py",
        ),
    ),
    Target(
        "controller/cycle.py",
        (
            f"{UNIT}/test_cycle.py",
            f"{UNIT}/test_cycle_times.py",
            f"{UNIT}/test_guard.py",
            f"{UNIT}/test_guard_errors.py",
        ),
        only=frozenset({"at_start", "_view", "_command", "_next_carry"}),
    ),
    Target(
        "controller/command_numbers.py",
        tuple(f"{UNIT}/test_{name}.py" for name in ("command_numbers", "cycle", "cycle_times")),
    ),
    Target("controller/relays/messages.py", (f"{UNIT}/relays/test_messages.py",)),
    Target(
        "controller/relays/mqtt.py",
        (
            f"{UNIT}/relays/test_mqtt_keeper.py",
            f"{UNIT}/relays/test_mqtt_endings.py",
            f"{UNIT}/relays/test_mqtt.py",
            f"{UNIT}/relays/test_outputs.py",
        ),
    ),
    Target("controller/rehearsal/relay_board.py", (f"{UNIT}/relays/test_relay_board.py",)),
)
"""What is no rule."""


def targets() -> list[Target]:
    """Every module whose mutants must be caught."""
    rules = sorted((ROOT / "controller/interlocks").glob("*.py"))
    return [*_CORE, *(_interlock(path.stem) for path in rules if path.name != "__init__.py")]


def _interlock(rule: str) -> Target:
    """A rule with its own tests; what has none of its own, with those of all."""
    folder = f"{UNIT}/interlocks"
    files = (f"{folder}/test_{rule}.py", *FURTHER.get(rule, ()))
    own = tuple(file for file in files if (ROOT / file).exists())
    every = (folder, f"{UNIT}/test_supervisor.py")
    tests = own or SHARED.get(rule, every)
    return Target(f"controller/interlocks/{rule}.py", tests)
