"""What the guard's process holds of the machine, and whether that grows."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

KIB_PER_MIB = 1024.0
MEMORY_ALLOWED_MIB = 2.5
"""Growth of the process's own memory after warm-up that is no leak [MiB]: SQLite's page cache of
2 MiB fills within a day or so, and the allocator keeps what the largest moments needed. In a year
of ticks this is one byte a tick."""
WARM_UP_SHARE = 0.25
"""Share of a run that is not judged: caches fill, the first plans and fits are made."""
FEWEST_SAMPLES = 8


@dataclass(frozen=True, slots=True)
class Sample:
    """One look at a process.

    Attributes
    ----------
    day : float
        Simulated days since the start.
    resident_mib, own_mib : float
        Memory in RAM, and what of it is the process's own (no file behind it) [MiB].
    handles, threads : int
    store_mib : float
        Size of the records with their write-ahead log [MiB].
    """

    day: float
    resident_mib: float
    own_mib: float
    handles: int
    threads: int
    store_mib: float


@dataclass(frozen=True, slots=True)
class Judgement:
    """What became of memory, handles and threads after warm-up; ``faults`` says what grew."""

    first_day: float
    last_day: float
    memory_growth_mib: float
    memory_slope_kib_day: float
    handles: tuple[int, int]
    threads: tuple[int, int]
    faults: tuple[str, ...]


def look_at(pid: int, store: Path, *, day: float) -> Sample:
    """Look at a running process of this machine and at its store's folder."""
    process = Path("/proc") / str(pid)
    status = dict(
        line.split(":", 1) for line in (process / "status").read_text().splitlines() if ":" in line
    )
    return Sample(
        day=day,
        resident_mib=_mib(status["VmRSS"]),
        own_mib=_mib(status["RssAnon"]) + _mib(status["VmSwap"]),
        handles=len(list((process / "fd").iterdir())),
        threads=int(status["Threads"]),
        store_mib=_size_mib(store),
    )


def _mib(text: str) -> float:
    return int(text.split()[0]) / KIB_PER_MIB


def _size_mib(store: Path) -> float:
    return sum(path.stat().st_size for path in store.glob("slabtide.db*")) / KIB_PER_MIB**2


def judge(samples: Sequence[Sample]) -> Judgement:
    """Judge a run by its samples.

    After the first quarter, own memory must not grow by more than ``MEMORY_ALLOWED_MIB`` to the
    end, by the median of the slopes between all pairs of samples (Theil and Sen: a single high
    sample moves it little). Most handles and most threads of the last third must not be above
    those of the first third.

    Raises
    ------
    ValueError
        Where there are fewer than ``FEWEST_SAMPLES`` samples.
    """
    if len(samples) < FEWEST_SAMPLES:
        raise ValueError(
            f"{len(samples)} samples are too few to judge; {FEWEST_SAMPLES} are needed"
        )
    judged = samples[round(len(samples) * WARM_UP_SHARE) :]
    third = len(judged) // 3
    first, last = judged[:third], judged[-third:]
    slope = slope_per_day([(s.day, s.own_mib) for s in judged])
    growth_mib = slope * (judged[-1].day - judged[0].day)
    handles = (max(s.handles for s in first), max(s.handles for s in last))
    threads = (max(s.threads for s in first), max(s.threads for s in last))
    faults = []
    if growth_mib > MEMORY_ALLOWED_MIB:
        faults.append(f"memory grew by {growth_mib:.1f} MiB, allowed {MEMORY_ALLOWED_MIB:g}")
    for name, (before, after) in (("handles", handles), ("threads", threads)):
        if after > before:
            faults.append(f"{name} grew from {before} to {after}")
    return Judgement(
        first_day=judged[0].day,
        last_day=judged[-1].day,
        memory_growth_mib=growth_mib,
        memory_slope_kib_day=slope * KIB_PER_MIB,
        handles=handles,
        threads=threads,
        faults=tuple(faults),
    )


def slope_per_day(points: Sequence[tuple[float, float]]) -> float:
    """The median slope between all pairs of points (day, value)."""
    return statistics.median((b - a) / (t - s) for (s, a), (t, b) in combinations(points, 2))
