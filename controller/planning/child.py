"""The planner child: one errand on standard input, one answer on standard output, then the end.

Started as ``python -m controller.planning.child STORE_FOLDER``. Whatever goes wrong ends as one
line on standard error and an exit code other than 0: the guard then goes on without a new plan.
"""

from __future__ import annotations

import json
import os
import resource
import sys
from pathlib import Path
from typing import Any

MEMORY_BYTES = 2 * 1024**3
"""Address space that the child may take; beyond it, it fails instead of the whole server."""
CPU_S = 600
"""Processor time that the child may take [s]."""
FILE_BYTES = 64 * 1024**2
"""Longest file that it may write: its answer."""
THREAD_SETTINGS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def main(arguments: list[str]) -> int:
    """Do one errand; the exit code."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m controller.planning.child STORE_FOLDER\n")
        return 2
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


def _limit_itself() -> None:
    """Bound memory and threads; before numpy is imported, as it reads the settings then."""
    for setting in THREAD_SETTINGS:
        os.environ[setting] = "1"
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    soft = MEMORY_BYTES if hard == resource.RLIM_INFINITY else min(MEMORY_BYTES, hard)
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
    # the guard ends a child in time, but a guard that was killed cannot
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
