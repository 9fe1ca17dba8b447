"""The whole comparison by one command: slabtide, perfect foresight and what else an owner could do.

Started from the root of the checkout::

    python -m tests.bench.compare --jobs 2 --out build/bench

Each run's result is a file of its own in the output folder, so that a comparison that is broken off
goes on where it was. What is there is shown in ``table.md`` and ``picture.svg``.
"""

from __future__ import annotations

import argparse
import signal
import statistics
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from multiprocessing import active_children, get_context
from pathlib import Path

from controller import threads
from tests.bench.cases import KINDS, STATIONS
from tests.bench.figures import FIRST_DAYS, Results
from tests.bench.jobs import (
    FORESIGHT,
    OWN,
    TRUE_MODEL,
    Job,
    Season,
    all_methods,
    jobs_of,
    version_of_sources,
)
from tests.bench.picture import as_svg
from tests.bench.runs import served_by
from tests.bench.served import Served, read, write
from tests.bench.table import as_markdown

DAYS = 84
DEFAULT_CASES = (
    "thin:potsdam:1", "ordinary:potsdam:2", "heavy:potsdam:3", "weak:potsdam:4",
    "thin:greensboro:5", "ordinary:greensboro:6", "heavy:greensboro:7", "weak:greensboro:8",
    "thin:hamburg:9", "ordinary:muehldorf:10", "heavy:mannheim:11", "weak:sand-point:12",
)  # fmt: skip
"""All kinds, both winters and several seeds; some 270 sessions after the first two weeks."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is missing, write table and picture; the exit code, 1 where a run failed."""
    options = _parser().parse_args(arguments)
    seasons = [_season(text, options.days) for text in options.cases]
    options.out.mkdir(parents=True, exist_ok=True)
    jobs = jobs_of(
        seasons,
        options.methods or all_methods(),
        with_curve=options.readiness_curve,
        all_margins=options.all_margins,
    )
    path_of = _paths(options.out, options.version)
    results = _stored(jobs, path_of)
    left = [job for job in jobs if job not in results]
    print(f"{len(jobs)} runs, {len(jobs) - len(left)} of them done before", flush=True)
    failed = 0
    try:
        failed = _run(left, results, path_of, workers=options.jobs)
    except KeyboardInterrupt:
        print("Broken off; the same command goes on from here.", flush=True)
        failed = 1
    _show(results, seasons, options.out)
    return 1 if failed else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.compare", description=__doc__.partition("\n")[0]
    )
    parser.add_argument(
        "--cases", nargs="+", default=list(DEFAULT_CASES), metavar="KIND:STATION:SEED",
        help=f"kinds {', '.join(KINDS)}; stations {', '.join(STATIONS)}",
    )  # fmt: skip
    parser.add_argument("--days", type=int, default=DAYS, help="length of each season [days]")
    parser.add_argument("--jobs", type=int, default=1, help="runs at the same time")
    parser.add_argument("--out", type=Path, required=True, help="folder of results and table")
    parser.add_argument(
        "--methods", nargs="+", choices=all_methods(), metavar="METHOD",
        help=f"beside {FORESIGHT}; all where none is given: {', '.join(map(repr, all_methods()))}",
    )  # fmt: skip
    parser.add_argument(
        "--all-margins", action="store_true", help="every method at all its margins"
    )
    parser.add_argument(
        "--readiness-curve", action="store_true",
        help="ask slabtide for 80, 90, 95 and 98 %% of readiness, not for 95 %% alone",
    )  # fmt: skip
    parser.add_argument(
        "--version",
        help="name of the settings that results belong to; a digest of the sources if not given",
    )
    return parser


def _season(text: str, days: int) -> Season:
    """A case as given on the command line; ends the command where it is none."""
    parts = text.split(":")
    if len(parts) != 3 or not parts[2].isdecimal():
        sys.exit(f"{text!r} is no case: right would be KIND:STATION:SEED, such as heavy:hamburg:3")
    kind, station, seed = parts
    for value, known in ((kind, KINDS), (station, STATIONS)):
        if value not in known:
            sys.exit(f"{text!r}: {value!r} is not known; right would be {', '.join(known)}")
    if days <= FIRST_DAYS:
        print(f"Only the days after the first {FIRST_DAYS} are judged.", flush=True)
    return Season(kind, station, int(seed), days)


def _paths(out: Path, version: str | None) -> Callable[[Job], Path]:
    of_sources = version_of_sources()

    def path_of(job: Job) -> Path:
        return out / f"{job.key}--{version or of_sources(job)}.json"

    return path_of


def _stored(jobs: Iterable[Job], path_of: Callable[[Job], Path]) -> dict[Job, Served]:
    found = ((job, read(path_of(job))) for job in jobs)
    return {job: served for job, served in found if served is not None}


def _run(
    jobs: Sequence[Job],
    results: dict[Job, Served],
    path_of: Callable[[Job], Path],
    *,
    workers: int,
) -> int:
    """Run jobs in processes of their own, keep each result at once; how many failed."""
    if not jobs:
        return 0
    failed = 0
    threads.use_one()  # read when a worker first imports numpy
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        try:
            futures = {pool.submit(served_by, job): job for job in jobs}
            for number, future in enumerate(as_completed(futures), 1):
                job = futures[future]
                kept = _keep(job, future, results, path_of)
                failed += not kept
                left = [futures[f] for f in futures if not f.done()]
                print(_progress(job, results, number, len(jobs), left, workers), flush=True)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in active_children():  # a season goes on for minutes: end it
                worker.kill()
            raise
    return failed


def _keep(
    job: Job,
    future: Future[Served],
    results: dict[Job, Served],
    path_of: Callable[[Job], Path],
) -> bool:
    """Write a result; say why there is none."""
    try:
        served = future.result()
    except Exception as error:  # noqa: BLE001 - one run that fails must not end the others
        print(f"{job.label}: FAILED: {type(error).__name__}: {error}", flush=True)
        return False
    results[job] = served
    write(served, path_of(job))
    for remark in served.remarks:
        print(f"{job.label}: {remark}", flush=True)
    return True


def _progress(
    job: Job, results: Results, number: int, count: int, left: Sequence[Job], workers: int
) -> str:
    took = f"{results[job].took_s:.0f} s" if job in results else "failed"
    minutes = time_left_s(left, results) / workers / 60.0
    when = time.strftime("%H:%M")
    return f"{when}  {number} of {count}  {job.label} ({took}); about {minutes:.0f} min left"


def time_left_s(left: Iterable[Job], results: Mapping[Job, Served]) -> float:
    """Time that jobs will take one after the other, by what those of their method took [s]."""
    took: dict[str, list[float]] = {}
    for job, served in results.items():
        took.setdefault(job.method, []).append(served.took_s)
    means = {method: statistics.fmean(times) for method, times in took.items()}
    slow, quick = max(means.values(), default=0.0), min(means.values(), default=0.0)
    planned = {OWN: slow, TRUE_MODEL: slow}
    return sum(means.get(job.method, planned.get(job.method, quick)) for job in left)


def _show(results: Results, seasons: Sequence[Season], out: Path) -> None:
    table = as_markdown(results, seasons)
    (out / "table.md").write_text(table)
    (out / "picture.svg").write_text(as_svg(results, seasons))
    print(table)
    print(f"{out / 'table.md'} and {out / 'picture.svg'} are written.", flush=True)


if __name__ == "__main__":
    # its workers must end with it, by `kill` as by Ctrl-C
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(128 + number))
    sys.exit(main())
