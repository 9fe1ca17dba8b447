"""The ``slabtide`` command: finds the wanted command's module and runs it."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

from controller import __version__, threads
from controller.configuration import ConfigurationError
from controller.privacy import keep_private

COMMANDS = (
    "run",
    "check",
    "bookings",
    "plan",
    "coast",
    "log",
    "why",
    "fit",
    "history",
    "acknowledge",
    "backup",
    "restore",
    "rehearse",
)
"""Every command, in the order of ``slabtide --help``. A new one is a module and a line here."""

DESCRIPTION = """\
Warms a workshop's concrete floor in time for booked sessions, and stops early because the
floor goes on giving heat. Software is never the last line of safety: see the README."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code: 0 well, 1 bad news, 2 bad input."""
    threads.use_one()  # before a command imports numpy
    options = _parser().parse_args(arguments)
    keep_private()
    command: ModuleType = options.command
    try:
        code = int(command.run(options))
        if sys.stdout is not None:
            sys.stdout.flush()
    except ConfigurationError as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)  # noqa: T201 - the command line's own door
        return 2
    except BrokenPipeError:
        # the reader of our output has gone: nothing is wrong
        _say_no_more()
        return 0
    except OSError as error:
        if _stdout_takes_more():
            raise
        _say_no_more()
        print(f"The answer could not be written: {error.strerror}.", file=sys.stderr)  # noqa: T201 - as above
        return 1
    return code


def _stdout_takes_more() -> bool:
    """Whether an error has nothing to do with standard output, which cannot be told from itself."""
    try:
        print(flush=True)  # noqa: T201 - as above
    except OSError:
        return False
    return True


def _say_no_more() -> None:
    """Let what is still to be written out at the end go nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="slabtide", description=DESCRIPTION)
    parser.add_argument("--version", action="version", version=f"slabtide {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name in COMMANDS:
        module = importlib.import_module(f"controller.commands.{name}")
        sub = commands.add_parser(
            name,
            help=module.SUMMARY,
            description=module.SUMMARY,
            epilog=f"example:\n  {module.EXAMPLE}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        sub.add_argument(
            "--site",
            type=Path,
            default=Path("config/site.yaml"),
            metavar="FILE",
            help="the site file; limits.yaml and bookings.yaml stand beside it "
            "(default: %(default)s)",
        )
        module.configure(sub)
        sub.set_defaults(command=module)
    return parser
