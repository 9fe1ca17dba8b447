"""The guard's side of the planner child: start it, bound its time, take its answer.

The child is short-lived: one errand, one answer. Whatever it does (hang, crash, talk
nonsense), the guard gets either a well-formed answer or a ``PlannerFailure``, and goes on. The
child ends with the guard, and with the thread that started it: let that be one that lasts.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from controller.clock import Clock
from controller.codec import from_plain, to_plain
from controller.records.errands import LearnAnswer, LearnErrand, PlanAnswer, PlanErrand

Errand = PlanErrand | LearnErrand
Answer = PlanAnswer | LearnAnswer

PLAN_TIME_S = 60.0
LEARN_TIME_S = 300.0
"""Time after which a child is ended [s]."""
REASON_LENGTH = 300
ANSWER_MAX_BYTES = 16 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class PlannerFailure:
    """Why there is no answer, in a sentence; of whatever the child said, what can be stored."""

    reason: str

    def __post_init__(self) -> None:
        printable = self.reason.encode("utf-8", "replace").decode()
        object.__setattr__(self, "reason", printable[:REASON_LENGTH])


@dataclass(slots=True)
class _Child:
    errand: Errand
    process: subprocess.Popen[bytes]
    output: IO[bytes]
    errors: IO[bytes]
    deadline_mono_s: float


class PlannerProcess:
    """At most one planner child at a time.

    Parameters
    ----------
    folder : Path
        The store's folder, which the child opens read-only.
    clock : Clock
        A clock of real time: the limits hold for the child's own time.
    """

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._folder = folder
        self._clock = clock
        self._child: _Child | None = None

    @property
    def errand(self) -> Errand | None:
        """The errand under way."""
        return self._child.errand if self._child else None

    def start(self, errand: Errand) -> None:
        """Start a child on an errand. One must not be under way.

        Raises
        ------
        OSError
            Where the machine cannot start another process.
        """
        if self._child:
            raise RuntimeError("a planner child is already under way")
        kind = "plan" if isinstance(errand, PlanErrand) else "learn"
        time_s = PLAN_TIME_S if kind == "plan" else LEARN_TIME_S
        with contextlib.ExitStack() as files, tempfile.TemporaryFile() as request:
            output = files.enter_context(tempfile.TemporaryFile())
            errors = files.enter_context(tempfile.TemporaryFile())
            request.write(json.dumps({"errand": kind, "body": to_plain(errand)}).encode())
            request.seek(0)
            place, guard = str(self._folder), str(os.getpid())
            command = [sys.executable, "-m", "controller.planning.child", place, guard]
            # files instead of pipes: a child that writes much never waits for us, nor we for it
            process = subprocess.Popen(command, stdin=request, stdout=output, stderr=errors)
            files.pop_all()  # from here on they are closed with the child, in _finish
        deadline_mono_s = self._clock.now().mono_s + time_s
        self._child = _Child(errand, process, output, errors, deadline_mono_s)

    def poll(self) -> Answer | PlannerFailure | None:
        """The answer or failure of the child that has just ended; None while it works."""
        child = self._child
        if child is None:
            return None
        if child.process.poll() is None:
            if self._clock.now().mono_s < child.deadline_mono_s:
                return None
            return self._finish(PlannerFailure("the planner took too long and was ended"))
        return self._finish(_read(child))

    def wait(self) -> Answer | PlannerFailure | None:
        """Wait for the child under way, within its time limit."""
        child = self._child
        if child is None:
            return None
        left_s = max(0.0, child.deadline_mono_s - self._clock.now().mono_s)
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.process.wait(timeout=left_s)
        return self.poll()

    def stop(self) -> None:
        """End the child under way, if any."""
        if self._child:
            self._finish(PlannerFailure("stopped"))

    def _finish(self, outcome: Answer | PlannerFailure) -> Answer | PlannerFailure:
        child, self._child = self._child, None
        if child is not None:
            child.process.kill()
            child.process.wait()
            child.output.close()
            child.errors.close()
        return outcome


def _read(child: _Child) -> Answer | PlannerFailure:
    """Take a finished child's answer apart without trusting it."""
    complaint = _end_of(child.errors).decode("utf-8", "replace").strip().splitlines()
    if child.process.returncode != 0:
        last = complaint[-1] if complaint else "it said nothing"
        return PlannerFailure(f"the planner ended with code {child.process.returncode}: {last}")
    if child.output.seek(0, os.SEEK_END) > ANSWER_MAX_BYTES:
        return PlannerFailure("the planner's answer is too long")
    child.output.seek(0)
    raw = child.output.read()
    kind: type[PlanAnswer] | type[LearnAnswer]
    kind = PlanAnswer if isinstance(child.errand, PlanErrand) else LearnAnswer
    try:
        return from_plain(kind, json.loads(raw)["body"])
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        return PlannerFailure(f"the planner's answer makes no sense: {error}")


def _end_of(file: IO[bytes]) -> bytes:
    """The last part of a file: of a long complaint, the last line is the one that tells."""
    size = file.seek(0, os.SEEK_END)
    file.seek(max(0, size - 2000))
    return file.read()
