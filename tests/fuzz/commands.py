"""Command lines: every command with odd arguments, on a site that has records."""

from __future__ import annotations

import argparse
import contextlib
import io
import random
import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import time_machine

from controller import cli
from controller.configuration import load_all
from controller.cycle import Carry, decide
from controller.records.decision import HeaterState
from controller.rehearsal.building import BuildingError
from controller.store import open_writer
from tests.controller.builders import START_S, make_parameters, make_plan, make_situation, slab
from tests.fuzz.files import EXAMPLES, VALUES
from tests.fuzz.mutate import TIMES

NOW_S = START_S + 600.0
NUMBERS = (
    "0", "1", "-1", "14", "366", "367", "1e3", "1e999", "nan", "inf", "-inf", "２", "٣", "1_0",
    "9" * 30, "9" * 5000, "0x10", "1.5", "+1", " 1", "1 ", "--1", "-0",
)  # fmt: skip
WHENS = (
    "now", "today", "yesterday", "yesterday 03:00", "25:99", "03:15", "24:00", "-3h", "-1e9h",
    "-99999999999999999999w", "-1.5.5h", "-٣h", "2999-12-31", "3000-01-01", "1970-01-01",
    "1969-12-31", "2027-03-14 02:30", "2026-02-30", "tomorrow", *TIMES,
)  # fmt: skip
ODD = (
    "", " ", "-", "--", "---", "--help", "-h", "--site", "--zone=", "\udcff\udcfe", "é", "💧",
    "a" * 5000, "\n", "\t", "\x1b[2J", "%s", "{}", "$(true)", "../..", "/", "*",
)  # fmt: skip


WRITING = ("backup", "restore", "rehearse")
"""Commands that write where they are told to: these are told only of places in our own folder."""


class CommandLines:
    """An exit code of 0, 1 or 2, and never a traceback."""

    name, share = "commands", 0.01

    def __init__(self, folder: Path) -> None:
        self._folder, self._pristine = folder / "work", folder / "pristine"
        shutil.copytree(EXAMPLES, self._folder / "config")
        self._site = self._folder / "config" / "site.yaml"
        self._keep_records()
        self._paths = self._odd_paths()
        shutil.copytree(self._folder, self._pristine)
        self._options = {name: _options(name) for name in cli.COMMANDS}

    def make(self, chance: random.Random) -> list[str]:
        name = chance.choice(cli.COMMANDS)
        arguments = [name]
        for _ in range(chance.randint(0, 3)):
            option = chance.choice(self._options[name])
            arguments += [option] if option is not None and chance.random() < 0.9 else []
            if chance.random() < 0.8:
                arguments.append(self._value(chance, name))
        if name == "history" and chance.random() < 0.8:
            arguments[1:1] = ["import", self._value(chance, name)]
        if chance.random() < 0.7:
            arguments += ["--site", str(self._site)]
        if name == "run":  # with a good site file and no pacer it would serve for ever
            arguments += ["--lockstep", chance.choice(self._paths)]
        return arguments

    def check(self, case: list[str]) -> None:
        out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", errors=e) for e in _ERRORS)
        with contextlib.ExitStack() as stack:
            stack.enter_context(time_machine.travel(NOW_S, tick=False))
            stack.enter_context(contextlib.redirect_stdout(out))
            stack.enter_context(contextlib.redirect_stderr(err))
            stack.enter_context(contextlib.chdir(self._folder))
            stack.enter_context(_no_long_work())
            try:
                code = cli.main(case)
            except SystemExit as left:  # argparse's own way out
                code = left.code
        out.flush()
        err.flush()
        said = out.buffer.getvalue() + err.buffer.getvalue()
        if case[0] in (*WRITING, "history", "acknowledge"):
            shutil.rmtree(self._folder)
            shutil.copytree(self._pristine, self._folder)
        assert code in (0, 1, 2), code
        assert b"Traceback" not in said
        if code == 2:
            assert err.buffer.getvalue(), "refused without a word"

    def _value(self, chance: random.Random, name: str) -> str:
        pool = chance.choice((NUMBERS, WHENS, ODD, VALUES, self._paths, ("boiler", "boat-bay")))
        value = chance.choice(pool)
        return value if name not in WRITING or self._is_ours(value) else "nowhere/else"

    def _is_ours(self, value: str) -> bool:
        """Whether a path, taken from our folder, leads nowhere out of it."""
        try:
            return (self._folder / value).resolve().is_relative_to(self._folder.resolve())
        except (OSError, ValueError):
            return True

    def _keep_records(self) -> None:
        configuration = load_all(self._site)
        heater, zone = "boiler", "boat-bay"
        decision, _ = decide(
            make_situation(slab()), Carry.at_start(HeaterState(), make_situation().now)
        )
        plan = make_plan(heater=heater)
        outlooks = tuple(replace(outlook, zone=zone) for outlook in plan.outlooks)
        with closing(open_writer(configuration.store)) as writer:
            writer.add_plan(replace(plan, outlooks=outlooks))
            writer.add_parameters(make_parameters(zone))
            writer.add_decision(replace(decision, zones=(zone,)), HeaterState())

    def _odd_paths(self) -> list[str]:
        (self._folder / "noise.csv").write_bytes(random.Random(1).randbytes(500))
        (self._folder / "text.csv").write_text("time,air\n2025-12-01 00:00,8\n2025-12-01 00:15,9\n")
        (self._folder / "module.py").write_text(
            "def factory(start, bookings):\n    raise OSError\n"
        )
        names = ("noise.csv", "text.csv", "module.py", "config", "config/bookings.yaml", "nowhere")
        own = [str(self._folder / name) for name in names]
        factories = [f"{self._folder}/module.py:{name}" for name in ("factory", "nothing", "")]
        return [*own, *factories, "/dev/null", "/proc/self/mem", "/", "a" * 300, "/nowhere/x", "~"]


_ERRORS = ("strict", "backslashreplace")
"""As Python opens standard output and standard error."""


def _options(name: str) -> list[str | None]:
    """The options of a command; None stands for an argument without one."""
    subparsers = next(
        action
        for action in cli._parser()._actions
        if isinstance(action, argparse._SubParsersAction)
    )
    actions = subparsers.choices[name]._actions
    return [None, *(text for action in actions for text in action.option_strings)]


@contextlib.contextmanager
def _no_long_work():
    """No season is run and no child is started: what comes before them is what is tried."""
    from controller.commands import history
    from controller.rehearsal import season

    class NoChild:
        def __init__(self, *_: object) -> None:
            raise history.StoreFailed("no child is started here")

    def no_season(*_: object) -> None:
        raise BuildingError("no season is run here")

    kept = season.rehearse, history.PlannerProcess
    season.rehearse, history.PlannerProcess = no_season, NoChild
    try:
        yield
    finally:
        season.rehearse, history.PlannerProcess = kept


KINDS = (CommandLines,)
