"""``slabtide history import``: an owner's earlier log, so that learning can start from it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from controller.answers import fault_of_parameters
from controller.clock import SystemClock
from controller.commands._shared import present_s, say
from controller.configuration import Configuration, load_all
from controller.configuration.problems import Problem
from controller.earlier_log import EarlierLog, LogError, Trace, read_log, samples
from controller.earlier_log.resampling import GRID_S
from controller.earlier_log.standing import Standing, measured, standing
from controller.local_time import LocalTime, duration
from controller.planner_process import LEARN_TIME_S, PlannerFailure, PlannerProcess
from controller.records.errands import LearnAnswer, LearnErrand, Learnt
from controller.records.imported import with_imported
from controller.records.plan import ParameterSet, ParameterSource
from controller.records.readings import Reading
from controller.site_lock import AlreadyRunning, site_lock
from controller.store import Reader, StoreFailed, Writer, open_reader, open_writer

SUMMARY = "bring in an earlier log of the workshop, and learn from it"
EXAMPLE = "slabtide history import last-winter.csv"

FORM = """\
The file is CSV with a header line. Cells are separated by commas, or by semicolons where numbers
have a decimal comma. Columns, in any order:

  time        ISO 8601 with its offset, wall time of the site, or seconds since 1970;
              under `time [UTC]` times without an offset are UTC
  air, power, outdoor, slab, irradiance
              as many as there are; air, power and outdoor are enough to learn from. Where the
              site has several zones or heaters: air@boat-bay, power@boiler. A sensor's id from
              the site file will do too. Units: °C, W and W/m2, or others in the heading:
              `air [°F]`, `power [kW]`.

Rows from the oldest to the newest, usually at most 1 h apart. An empty cell is unknown. The power
in a row is the mean from its time to the next row's. Nothing is imported from a file with a
mistake. What was imported is kept apart from what the service measures."""

PROGRESS_S = 2.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.description = f"{SUMMARY}\n\n{FORM}"
    parser.add_argument("action", choices=("import",), metavar="import", help="what to do")
    parser.add_argument("file", type=Path, metavar="FILE.csv", help="the log")
    parser.add_argument(
        "--replace",
        action="store_true",
        help="let it take the place of what was imported before for the same time",
    )


def run(args: argparse.Namespace) -> int:
    """Import a log and learn from it."""
    configuration = load_all(args.site)
    now_s = present_s(args.site)
    try:
        progress = _Progress(f"reading {args.file.name}")
        log = read_log(args.file, configuration.site, now_s=now_s, report=progress)
        with site_lock(configuration.store, args.site):
            return _Import(configuration, args.file, log, now_s).run(replace_old=args.replace)
    except LogError as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        print(f"Nothing was imported from {args.file}.", file=sys.stderr)
        return 2
    except AlreadyRunning:
        print(
            "The service is running, and it alone may write its records. Stop it, import, and "
            "start it again; the heaters are off meanwhile.",
            file=sys.stderr,
        )
        return 1
    except StoreFailed as error:
        print(error, file=sys.stderr)
        return 1


class _Import:
    """One log on its way into the store of a site whose service does not run."""

    def __init__(
        self, configuration: Configuration, path: Path, log: EarlierLog, now_s: float
    ) -> None:
        self._configuration = configuration
        self._path, self._log, self._now_s = path, log, now_s
        self._local = LocalTime(configuration.site.time_zone)

    def run(self, *, replace_old: bool) -> int:
        """Import what is new and learn from it; the exit code."""
        store = self._configuration.store
        with closing(open_writer(store)) as writer, closing(open_reader(store)) as reader:
            standings = self._standings(reader, replace_old=replace_old)
            for line in self._notes():
                say(line)
            fresh = [t for t in self._log.traces if standings[t.column.id] is not Standing.THERE]
            if not fresh and self._has_learnt(reader):
                say(f"All of {self._path} is there already; nothing has changed.")
                return 0
            if fresh:
                self._write(writer, fresh, standings)
            for trace in self._log.traces:
                say(self._told(trace, standings[trace.column.id]))
            print(
                f"learning from it: seconds as a rule, {duration(LEARN_TIME_S)} at most",
                file=sys.stderr,
                flush=True,
            )
            for line in self._learn(writer, reader):
                say(line)
        return 0

    def _has_learnt(self, reader: Reader) -> bool:
        """Whether every zone has learnt from history: not where an import was broken off."""
        found = (reader.latest_parameters(zone.id) for zone in self._configuration.site.zones)
        return all(p is not None and p.source is ParameterSource.HISTORY for p in found)

    def _standings(self, reader: Reader, *, replace_old: bool) -> Mapping[str, Standing]:
        """How each column stands to the store, by id; refuses what would contradict it."""
        found: dict[str, Standing] = {}
        problems = []
        for trace in self._log.traces:
            found[trace.column.id] = standing(trace, reader)
            if clash := measured(trace, self._configuration.site, reader):
                problems.append(self._problem(*self._of_its_own(*clash)))
            elif found[trace.column.id] is Standing.DIFFERENT and not replace_old:
                wrong = f"{trace.column.id} was imported before for this time, with other values"
                problems.append(self._problem(wrong, "--replace, where these are to be used now"))
        if problems:
            raise LogError(problems)
        return found

    def _problem(self, wrong: str, right: str) -> Problem:
        return Problem(str(self._path), 1, 1, wrong, right)

    def _of_its_own(self, sensor: str, first_s: float, last_s: float) -> tuple[str, str]:
        first, last = self._local.stamp(first_s), self._local.stamp(last_s)
        wrong = f"{sensor} has readings of its own from {first} to {last} within this log's span"
        return wrong, "a file of the rows outside that time"

    def _notes(self) -> Iterator[str]:
        if self._log.unused:
            yield f"Passed over, nothing is learnt from it: {', '.join(self._log.unused)}."
        if self._log.empty:
            yield f"Passed over, fewer than two values: {', '.join(self._log.empty)}."
        for wall in self._log.taken_as_first:
            yield (
                f"{wall} and the rest of that hour occurred twice and stand in the log once: taken "
                "as the first. If the logger's clock is not changed in summer, write times with "
                "their offset."
            )

    def _write(
        self, writer: Writer, fresh: Sequence[Trace], standings: Mapping[str, Standing]
    ) -> None:
        different = [t for t in fresh if standings[t.column.id] is Standing.DIFFERENT]
        old = {t.column.id: (t.times_s[0] - GRID_S, t.times_s[-1] + GRID_S) for t in different}
        writer.add_imported(self._readings(fresh), in_place_of=old)

    def _readings(self, traces: Sequence[Trace]) -> Iterator[Reading]:
        progress = _Progress("storing")
        for done, trace in enumerate(traces):
            column, first_s = trace.column, trace.times_s[0]
            span_s = trace.times_s[-1] - first_s
            for at_s, value in samples(trace):
                progress((done + (at_s - first_s) / span_s) / len(traces))
                yield Reading(
                    sensor=column.id,
                    role=column.role,
                    subject=column.subject,
                    value=value,
                    measured_s=at_s,
                    received_s=self._now_s,
                    received_mono_s=0.0,
                    sequence=0,
                )

    def _told(self, trace: Trace, how: Standing) -> str:
        first, last = (self._local.date(trace.times_s[k]) for k in (0, -1))
        what = {
            Standing.NEW: "imported",
            Standing.THERE: "there already",
            Standing.DIFFERENT: "imported in place of what was there",
        }
        count, step = len(trace.times_s), duration(trace.usual_step_s)
        odd = f", {trace.outliers} left out as odd ones" if trace.outliers else ""
        return (
            f"{trace.column.id}: {what[how]}, {first} to {last}: {count} values, usually {step} "
            f"apart{odd}, known for {100.0 * _known(trace):.0f} % of the time."
        )

    def _learn(self, writer: Writer, reader: Reader) -> Iterator[str]:
        """Fit each zone's response to the history that ends with this log; say what came of it."""
        site = self._configuration.site
        sets = [found for z in site.zones if (found := reader.latest_parameters(z.id)) is not None]
        end_s = max(trace.times_s[-1] for trace in self._log.traces) + GRID_S
        if any(_learnt_later(parameters, end_s) for parameters in sets):
            yield "What is in force was learnt from later history, and stays."
            return
        errand = LearnErrand(with_imported(site), tuple(sets), end_s)
        planner = PlannerProcess(self._configuration.store, SystemClock())
        try:
            planner.start(errand)
            answer = planner.wait()
        finally:
            planner.stop()
        if isinstance(answer, LearnAnswer):
            for learnt in answer.learnt:
                yield self._taken(writer, learnt)
        elif isinstance(answer, PlannerFailure):
            yield f"Nothing was learnt from it yet: {answer.reason}."

    def _taken(self, writer: Writer, learnt: Learnt) -> str:
        parameters = learnt.parameter_set
        told = f"{parameters.zone}: {learnt.reason}"
        if not learnt.replaces or parameters.source is not ParameterSource.HISTORY:
            return told
        if fault := fault_of_parameters(parameters):
            return f"{parameters.zone}: what was learnt is not used: {fault}."
        # the errand ended with the log; what comes of it is in force from now on
        writer.add_parameters(replace(parameters, made_s=self._now_s))
        return told


def _learnt_later(parameters: ParameterSet, end_s: float) -> bool:
    learnt = parameters.source is ParameterSource.HISTORY
    return learnt and (parameters.span_end_s or 0.0) > end_s


def _known(trace: Trace) -> float:
    """Share of a column's span for which it gives samples [0..1]."""
    slots = (trace.times_s[-1] - trace.times_s[0]) / GRID_S + 1.0
    return min(1.0, sum(1 for _ in samples(trace)) / slots)


@dataclass(slots=True)
class _Progress:
    """How far a piece of work has come and how long it will take, once it has taken a while."""

    doing: str
    _began_s: float = -1.0
    _shown_s: float = 0.0

    def __call__(self, share: float) -> None:
        """Say so on standard error, every two seconds at most."""
        now_s = SystemClock().now().mono_s
        if self._began_s < 0.0:
            self._began_s = self._shown_s = now_s
        if now_s - self._shown_s < PROGRESS_S or share <= 0.0:
            return
        self._shown_s = now_s
        left = duration((now_s - self._began_s) * (1.0 - share) / share)
        print(f"{self.doing}: {100.0 * share:.0f} %, {left} left", file=sys.stderr, flush=True)
