"""A pytest plugin that makes one run for each mutant, each in a child process.

All tests are collected once; a child takes a mutant, runs them until one fails, and is gone.
"""

from __future__ import annotations

import json
import os
import signal
import tempfile
import time
from collections.abc import Callable, Sequence
from enum import Enum
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from tests.mutants.apply import apply
from tests.mutants.generate import Mutant

LONGEST_S = 60.0
"""A mutant that hangs is caught: the time is many times that of a whole run [s]."""


class Fate(Enum):
    """What became of a mutant."""

    CAUGHT = "caught"
    HUNG = "hung"
    SURVIVED = "survived"


class Runner:
    """Runs the collected tests once for each mutant.

    Parameters
    ----------
    mutants : sequence of Mutant
    tell : callable
        Called with each mutant and its fate.
    """

    def __init__(self, mutants: Sequence[Mutant], tell: Callable[[Mutant, Fate], None]) -> None:
        self._mutants, self._tell = mutants, tell
        self._failed = False
        self._took_s: dict[str, float] = {}

    def pytest_runtestloop(self, session: Any) -> bool:
        began_s = time.monotonic()
        with tempfile.NamedTemporaryFile() as file:
            times = Path(file.name)
            if (
                self._in_child(lambda: self._time(session, times), 10 * LONGEST_S)
                is not Fate.SURVIVED
            ):
                raise pytest.UsageError("the tests fail without any mutant")
            took_s = json.loads(times.read_text())
        session.items.sort(key=lambda item: took_s[item.nodeid])  # most are caught by a quick one
        longest_s = max(LONGEST_S, 10.0 * (time.monotonic() - began_s))
        for mutant in self._mutants:
            self._tell(mutant, self._in_child(lambda m=mutant: self._try(m, session), longest_s))
        return True

    def pytest_runtest_logreport(self, report: Any) -> None:
        self._failed = self._failed or report.failed
        self._took_s[report.nodeid] = self._took_s.get(report.nodeid, 0.0) + report.duration

    def _time(self, session: Any, times: Path) -> bool:
        """Run everything unchanged and keep how long each test took; whether one has failed."""
        failed = self._run(session)
        times.write_text(json.dumps(self._took_s))
        return failed

    def _try(self, mutant: Mutant, session: Any) -> bool:
        try:
            apply(mutant)
        except Exception:  # noqa: BLE001 - whatever it is, it was noticed
            return True  # not even to be loaded
        return self._run(session)

    def _run(self, session: Any) -> bool:
        """Whether a test has failed."""
        for item, following in zip(session.items, [*session.items[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if self._failed:
                return True
        return False

    def _in_child(self, work: Callable[[], bool], longest_s: float) -> Fate:
        child = os.fork()
        if child == 0:
            os._exit(_as_code(work))
        deadline_s, pause_s = time.monotonic() + longest_s, 0.002
        while time.monotonic() < deadline_s:
            ended, status = os.waitpid(child, os.WNOHANG)
            if ended:
                return Fate.SURVIVED if status == 0 else Fate.CAUGHT
            time.sleep(pause_s)
            pause_s = min(0.05, 1.5 * pause_s)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return Fate.HUNG


def _as_code(work: Callable[[], bool]) -> int:
    silence = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(silence, stream)
    try:
        return 1 if work() else 0
    except BaseException:  # noqa: BLE001 - the child must end here, and an error is a catch
        return 1


def run(
    tests: Sequence[str],
    mutants: Sequence[Mutant],
    root: Path,
    tell: Callable[[Mutant, Fate], None],
) -> None:
    """Try every mutant against some tests, in the order given.

    Raises
    ------
    RuntimeError
        Where the tests cannot be run, or fail as they are.
    """
    # the same examples for each mutant, and no failure because the machine is busy
    hypothesis.settings.register_profile(
        "mutants",
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    hypothesis.settings.load_profile("mutants")
    arguments = [
        "-p",
        "no:terminal",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:xdist",
        f"--rootdir={root}",
        *tests,
    ]
    code = pytest.main(arguments, plugins=[Runner(mutants, tell)])
    if code not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
        raise RuntimeError(f"pytest ended with {code} on {' '.join(tests)}")
