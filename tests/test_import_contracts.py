"""The import contracts hold, and each one breaks on a fault planted in a copy of the tree."""

import os
import re
import shutil
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("controller", "models")

LAYERS = "controller layers"
PURE_MODELS = "models is pure"
FIRST_ORDER = "the first-order response needs the standard library alone"
SMALL_GUARD = "the guard process stays small"
SAFETY = "supervisor and interlocks stand alone"
RECORDS = "records hold data alone"
TICK = "a tick decides without clock or I/O"
RELAY = "only the service reaches a relay"
MQTT = "MQTT is spoken in three places"
TIME = "only the clock reads the time"
WORKSHOP = "the simulated workshop is not made of the models it tests"

STAND_ALONE = (FIRST_ORDER, SAFETY, RECORDS)
"""Contracts that forbid every library, each of which must be named."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One import where it must not be, and the contracts it breaks."""

    file: str
    line: str
    breaks: frozenset[str]

    def __str__(self) -> str:
        return f"{self.file}: {self.line}"


def _fault(file: str, line: str, *breaks: str) -> Fault:
    return Fault(file, line, frozenset(breaks))


FAULTS = (
    _fault("controller/store/rows.py", "import controller.recorder", LAYERS),
    _fault("controller/units.py", "import controller.calendar", LAYERS),
    _fault("controller/without_a_layer.py", "import math", LAYERS),
    _fault("models/envelope.py", "import sqlite3", PURE_MODELS),
    _fault("models/series.py", "from controller.units import to_house", PURE_MODELS),
    _fault("models/first_order.py", "import models.envelope", FIRST_ORDER),
    _fault("models/first_order.py", "import numpy", FIRST_ORDER, SMALL_GUARD),
    _fault("controller/sensors/decode.py", "import numpy", SMALL_GUARD),
    _fault("controller/plausibility.py", "import models.timetable", SMALL_GUARD),
    _fault("controller/commands/run.py", "import controller.planning.child", SMALL_GUARD),
    _fault("controller/supervisor.py", "import models.first_order", SAFETY),
    _fault("controller/interlocks/short_cycle.py", "import controller.codec", SAFETY),
    _fault("controller/interlocks/lockout.py", "import ruamel.yaml", SAFETY),
    _fault("controller/records/limits.py", "import ruamel.yaml", RECORDS),
    _fault("controller/wishes.py", "from controller.clock import SystemClock", TICK),
    _fault("controller/cycle.py", "import sqlite3", TICK),
    _fault("controller/recorder.py", "from controller.relays.mqtt import MqttRelay", RELAY),
    _fault("controller/recorder.py", "import paho.mqtt.client", MQTT),
    _fault("controller/recorder.py", "from controller.mqtt_client import new_client", MQTT),
    _fault("controller/read_back.py", "from time import monotonic", TIME),
    _fault("controller/rehearsal/network.py", "import models.first_order", WORKSHOP),
)


def _broken_contracts(tree: Path) -> set[str]:
    """Run the import linter on a tree and give the names of the contracts that do not hold."""
    linter = Path(sys.executable).with_name("lint-imports")
    run = subprocess.run(
        [linter, "--no-cache", "--no-logo"],
        cwd=tree,
        env={**os.environ, "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Contracts: " in run.stdout, run.stdout + run.stderr
    broken = set(re.findall(r"^(.+) BROKEN", run.stdout, re.MULTILINE))
    assert run.returncode == (1 if broken else 0), run.stdout
    return broken


@pytest.fixture(scope="module")
def broken_already() -> set[str]:
    """Contracts that the tree as it is breaks: one fault of ours must not fail every case."""
    return _broken_contracts(ROOT)


def _contracts() -> dict[str, dict[str, list[str]]]:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    return {c["name"]: c for c in settings["tool"]["importlinter"]["contracts"]}


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A copy of what the contracts speak of."""
    for package in PACKAGES:
        shutil.copytree(
            ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__", "data")
        )
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_contracts_hold(broken_already: set[str]) -> None:
    """The tree as it is keeps every contract."""
    assert broken_already == set()


@pytest.mark.parametrize("fault", FAULTS, ids=str)
def test_planted_fault_breaks_its_contract(
    tree: Path, fault: Fault, broken_already: set[str]
) -> None:
    """A forbidden import breaks the contract that forbids it, and no other."""
    with (tree / fault.file).open("a") as file:
        file.write(f"\n{fault.line}\n")
    assert _broken_contracts(tree) - broken_already == fault.breaks


def test_every_contract_has_a_planted_fault() -> None:
    """No contract is trusted that has never been seen to break."""
    assert set(_contracts()) == set().union(*(fault.breaks for fault in FAULTS))


@pytest.mark.parametrize("name", STAND_ALONE)
def test_stand_alone_contract_names_every_library(name: str) -> None:
    """A library that the project takes up later is forbidden there too, or this fails."""
    graph = grimp.build_graph(*PACKAGES, include_external_packages=True, cache_dir=None)
    outside = {module for module in graph.modules if graph.is_module_squashed(module)}
    libraries = outside - set(sys.stdlib_module_names)
    assert libraries, "no library at all was found: the graph is not the project's"
    assert libraries <= set(_contracts()[name]["forbidden_modules"])
