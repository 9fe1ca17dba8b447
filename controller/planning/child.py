"""The planner child: one errand on standard input, one answer on standard output, then the end.

Started as ``python -m controller.planning.child STORE_FOLDER GUARD_PID``. Whatever goes wrong ends
as one line on standard error and an exit code other than 0: the guard then goes on without a new
plan. Without the guard that asked for it no errand goes on: the child ends with it.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import resource
import signal
import sys
from pathlib import Path
from typing import Any

from controller import threads

MEMORY_BYTES = 2 * 1024**3
"""Address space that the child may take; beyond it, it fails instead of the whole server."""
CPU_S = 600
"""Processor time that the child may take [s]."""
FILE_BYTES = 64 * 1024**2
"""Longest file that it may write: its answer."""

PR_SET_PDEATHSIG = 1
"""Linux: the signal that a process gets when the thread that started it has ended, prctl(2)."""


def main(arguments: list[str]) -> int:
    """Do one errand; the exit code."""
    if len(arguments) != 2 or not arguments[1].isdigit():
        sys.stderr.write("usage: python -m controller.planning.child STORE_FOLDER GUARD_PID\n")
        return 2
    end_with(int(arguments[1]))
    _limit_itself()
    try:
        request = json.load(sys.stdin)
        answer = _do(request["errand"], request["body"], Path(arguments[0]))
        text = json.dumps(answer, allow_nan=False)
    except Exception as error:  # noqa: BLE001 - the process border: every fault becomes one line
        reason = " ".join(str(error).split()) or type(error).__name__
        sys.stderr.write(f"{type(error).__name__}: {reason}\n")
        return 1
    sys.stdout.write(text)
    return 0


def end_with(guard_pid: int) -> None:
    """Have this process end at once when the guard that started it has ended, however it ended.

    The kernel sees to it, so that neither sleep nor a long sum of the solver's delays the end.

    Parameters
    ----------
    guard_pid : int
        The guard, to notice one that ended before the kernel was asked.
    """
    with contextlib.suppress(OSError, AttributeError):  # no Linux: the limits below remain
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != guard_pid:
        sys.exit("the service that asked for this has ended")


def _limit_itself() -> None:
    """Bound memory and threads; before numpy is imported, as it reads the settings then."""
    threads.use_one()
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    soft = MEMORY_BYTES if hard == resource.RLIM_INFINITY else min(MEMORY_BYTES, hard)
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
    # the guard ends a child in time; this holds where it cannot
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S))
    resource.setrlimit(resource.RLIMIT_FSIZE, (FILE_BYTES, FILE_BYTES))


def _do(kind: str, body: object, folder: Path) -> dict[str, Any]:
    """Import only what the errand needs: scikit-learn takes longer to load than a plan to make."""
    from controller.codec import to_plain

    doers = {"plan": _plan, "learn": _learn}
    if kind not in doers:
        raise ValueError(f"unknown errand {kind!r}; known are {', '.join(doers)}")
    return {"answer": kind, "body": to_plain(doers[kind](body, folder))}


def _plan(body: object, folder: Path) -> object:
    from controller.codec import from_plain
    from controller.planning.planner import make_plan
    from controller.records.errands import PlanAnswer, PlanErrand
    from controller.store import open_reader

    reader = open_reader(folder)
    try:
        return PlanAnswer(make_plan(from_plain(PlanErrand, body), reader))
    finally:
        reader.close()


def _learn(body: object, folder: Path) -> object:
    from controller.codec import from_plain
    from controller.planning.learn import learn
    from controller.records.errands import LearnErrand
    from controller.store import open_reader

    reader = open_reader(folder)
    try:
        return learn(from_plain(LearnErrand, body), reader)
    finally:
        reader.close()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
