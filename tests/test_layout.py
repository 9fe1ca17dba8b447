"""The shape of the project: what lies where, how long it may be, how small the guard stays."""

import ast
import fnmatch
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FOLDERS = ("controller", "models", "config", "deploy", "tests")
TOP = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", *FOLDERS}

MODULE_LINES = 400
FUNCTION_LINES = 40

GUARD_MB = 45
"""Resident memory of the guard with all its code loaded: it shares a small home server [MB]."""

LOAD_GUARD = """
import sys
from controller import cli
try:
    cli.main(["run", "--help"])      # loads every command, as `slabtide run` does
except SystemExit:
    pass
import controller.service
"""


def _sources() -> list[Path]:
    return sorted(path for folder in FOLDERS for path in (ROOT / folder).rglob("*.py"))


def _functions(source: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(ast.parse(source.read_text())):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def _code_lines(function: ast.FunctionDef | ast.AsyncFunctionDef, lines: list[str]) -> int:
    """Lines from the ``def`` on without docstring, blank lines and comments."""
    docstring = function.body[0] if ast.get_docstring(function) is not None else None
    silent = set(range(docstring.lineno, docstring.end_lineno + 1)) if docstring else set()
    numbers = set(range(function.lineno, function.end_lineno + 1)) - silent
    texts = (lines[number - 1].strip() for number in numbers)
    return sum(bool(text) and not text.startswith("#") for text in texts)


def _in_guard_process(question: str) -> str:
    """Load what the guard process loads, in a process of its own, and give what it answers."""
    run = subprocess.run(
        [sys.executable, "-c", f"{LOAD_GUARD}\n{question}"],
        capture_output=True,
        text=True,
        check=True,
    )
    return run.stdout.splitlines()[-1]


def test_only_the_agreed_names_stand_at_the_top() -> None:
    """Beside the fixed names stand dot-files, and what git is told not to keep."""
    made = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text().split()]
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    kept = {name for name in found if not any(fnmatch.fnmatch(name, m) for m in made)}
    assert kept == TOP


def test_no_module_is_long() -> None:
    """A module of one concept fits in 400 lines."""
    lengths = {str(p.relative_to(ROOT)): len(p.read_text().splitlines()) for p in _sources()}
    assert {name: n for name, n in lengths.items() if n > MODULE_LINES} == {}


def test_no_function_is_long() -> None:
    """A function fits on a screen: at most 40 lines of code."""
    long = {}
    for source in _sources():
        lines = source.read_text().splitlines()
        for function in _functions(source):
            length = _code_lines(function, lines)
            if length > FUNCTION_LINES:
                long[f"{source.relative_to(ROOT)}:{function.lineno} {function.name}"] = length
    assert long == {}


def test_every_test_says_what_is_true() -> None:
    """The docstring of a test is the sentence that it checks."""
    silent = [
        f"{source.relative_to(ROOT)}:{function.lineno} {function.name}"
        for source in _sources()
        if source.name.startswith("test_")
        for function in _functions(source)
        if function.name.startswith("test_") and not ast.get_docstring(function)
    ]
    assert silent == []


def test_guard_process_loads_no_numerics() -> None:
    """What really is loaded, dynamic imports too, holds none of the planner's libraries."""
    loaded = _in_guard_process("print(*sorted({name.split('.')[0] for name in sys.modules}))")
    assert {"controller", "models", "paho", "apscheduler"} <= set(loaded.split())
    assert not {"numpy", "scipy", "sklearn", "amqtt"} & set(loaded.split())


@pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="resident memory is read from Linux's /proc"
)
def test_guard_process_is_small() -> None:
    """The guard's code and libraries stay within their memory.

    The time that loading takes is shown (`pytest -rP`), not checked: it says more about the
    machine and what else runs there than about the code.
    """
    began_s = time.monotonic()
    status = "next(line for line in open('/proc/self/status') if line.startswith('VmRSS'))"
    resident_mb = int(_in_guard_process(f"print({status}.split()[1])")) / 1024
    print(f"guard process: {resident_mb:.0f} MB, loaded in {time.monotonic() - began_s:.2f} s")
    assert resident_mb <= GUARD_MB
