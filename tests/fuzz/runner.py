"""Runs cases of every kind, says how far it is, and keeps what was found."""

from __future__ import annotations

import contextlib
import random
import tempfile
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.kinds import Kind

MOST_FOUND = 20
LONGEST_S = 5.0
"""Of the processor, for one case: a reader that takes longer holds up every tick [s]."""
SAY_S = 5.0


@dataclass(slots=True)
class Found:
    """A broken promise: the first case that broke it, what makes that again, how many did."""

    kind: str
    number: int
    case: str
    fault: str
    where: str
    count: int = 1


def run(
    kinds: Sequence[type[Kind]],
    cases: int,
    *,
    seed: int,
    say: Callable[[str], None] = lambda _: None,
    only: int | None = None,
) -> tuple[dict[str, int], list[Found]]:
    """Run so many cases of the kind of share 1, and of the others by their shares.

    Ctrl-C ends it early.

    Parameters
    ----------
    kinds : sequence of Kind classes
    cases : int
    seed : int
        Kind, seed and number make a case; nothing else does.
    say : callable
        Told the progress.
    only : int, optional
        Run this number alone.

    Returns
    -------
    dict of str to int
        Cases run, by kind.
    list of Found
    """
    counts = {kind.name: max(1, round(cases * kind.share)) for kind in kinds}
    done = dict.fromkeys(counts, 0)
    found: dict[str, Found] = {}
    with (
        tempfile.TemporaryDirectory(prefix="slabtide-fuzz-") as folder,
        contextlib.suppress(KeyboardInterrupt),  # what there is then is what is told
    ):
        for kind in kinds:
            own = Path(folder) / kind.name
            own.mkdir()
            subject = kind(own)
            progress = _Progress(kind.name, counts[kind.name], say)
            numbers = range(counts[kind.name]) if only is None else (only,)
            for number in numbers:
                fault = _run_one(subject, number, seed)
                done[kind.name] += 1
                progress(done[kind.name])
                if fault is not None and fault.where in found:
                    found[fault.where].count += 1
                elif fault is not None and len(found) < MOST_FOUND:
                    found[fault.where] = fault
                    say(f"FOUND {fault.kind} {fault.number}: {fault.fault}")
    return done, list(found.values())


def _run_one(subject: Kind, number: int, seed: int) -> Found | None:
    case = subject.make(random.Random(f"{seed}:{subject.name}:{number}"))
    began_s = time.process_time()
    try:
        subject.check(case)
        took_s = time.process_time() - began_s
        assert took_s < LONGEST_S, f"it took {took_s:.1f} s"
    except Exception as error:  # noqa: BLE001 - whatever is raised is what is looked for
        last = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(last.filename).name}:{last.lineno} {last.line}"
        fault = f"{type(error).__name__}: {str(error)[:300]} at {where}"
        return Found(subject.name, number, f"{case!r:.600}", fault, subject.name + where)
    return None


class _Progress:
    """How many cases of a kind are done, and how long the others will take."""

    def __init__(self, name: str, count: int, say: Callable[[str], None]) -> None:
        self._name, self._count, self._say = name, count, say
        self._began_s = self._said_s = time.monotonic()

    def __call__(self, done: int) -> None:
        now_s = time.monotonic()
        if now_s - self._said_s < SAY_S and done < self._count:
            return
        self._said_s = now_s
        took_s = now_s - self._began_s
        left_s = took_s / done * (self._count - done)
        self._say(
            f"{self._name}: {done} of {self._count}, {done / max(took_s, 1e-9):.0f} a second, "
            f"{left_s:.0f} s left"
        )
