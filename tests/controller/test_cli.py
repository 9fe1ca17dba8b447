"""The command line: every command is there, helps by example, and refuses what it does not know."""

from __future__ import annotations

import errno
import importlib
import os
import pwd
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from controller import __version__, cli
from controller.cli import COMMANDS, main
from controller.configuration import ConfigurationError, Problem

FOLDER = Path(cli.__file__).parent / "commands"


def test_every_module_of_a_command_is_listed() -> None:
    """No command is written and then forgotten."""
    modules = {path.stem for path in FOLDER.glob("*.py") if not path.stem.startswith("_")}
    assert set(COMMANDS) == modules


@pytest.mark.parametrize("name", COMMANDS)
def test_help_holds_an_example_that_parses(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """``--help`` shows one line to copy, and the line is one that the command takes."""
    with pytest.raises(SystemExit) as left:
        main([name, "--help"])
    assert left.value.code == 0
    shown = capsys.readouterr().out
    module = importlib.import_module(f"controller.commands.{name}")
    assert module.EXAMPLE in shown
    program, *arguments = shlex.split(module.EXAMPLE)
    assert (program, arguments[0]) == ("slabtide", name)
    assert cli._parser().parse_args(arguments).command is module


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    """``slabtide --help`` has each command with its summary."""
    with pytest.raises(SystemExit) as left:
        main(["--help"])
    assert left.value.code == 0
    shown = " ".join(capsys.readouterr().out.split())
    for name in COMMANDS:
        summary = importlib.import_module(f"controller.commands.{name}").SUMMARY
        assert " ".join(f"{name} {summary}".split()) in shown


@pytest.mark.parametrize(
    "arguments",
    [[], ["heat"], ["--heat"], ["check", "--heat"], ["check", "surplus"], ["check", "--site"]],
)
def test_what_is_not_known_is_bad_input(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """A missing or unknown command or option ends with code 2 and says how it is used."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    assert "usage: slabtide" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "right"),
    [
        (["coast", "--below", "abc"], "right: 0 to 40 °C"),
        (["coast", "--below", "nan"], "right: 0 to 40 °C"),
        (["rehearse", "--off", "51"], "right: 0 to 50 %"),
        (["rehearse", "--days", "0"], "right: a whole number from 1 to 366"),
        (["rehearse", "--start", "2027-02-30"], "right: a date, as 2027-01-04"),
        (["plan", "--hours", "-1"], "right: a whole number from 1 to 168"),
    ],
)
def test_an_argument_that_is_none_is_told_with_what_would_be_right(
    arguments: list[str], right: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Code 2, and the span or form in the message."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    assert right in capsys.readouterr().err


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """``--version`` names the program and its version."""
    with pytest.raises(SystemExit) as left:
        main(["--version"])
    assert left.value.code == 0
    assert capsys.readouterr().out == f"slabtide {__version__}\n"


def test_every_problem_of_a_configuration_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A configuration that cannot be used is bad input: each problem has a line."""
    problems = [
        Problem("site.yaml", 3, 1, "unknown key", "zones"),
        Problem("limits.yaml", 9, 5, "99 is too high", "at most 45"),
    ]

    def refuse(_: object) -> int:
        raise ConfigurationError(problems)

    monkeypatch.setattr("controller.commands.bookings.run", refuse)
    assert main(["bookings"]) == 2
    assert capsys.readouterr().err.splitlines() == [str(problem) for problem in problems]


@pytest.mark.parametrize("name", ["run", "bookings", "plan", "log", "why", "fit", "acknowledge"])
def test_a_missing_site_file_is_bad_input(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every command that needs the site file says where it looked, and ends with code 2."""
    missing = tmp_path / "site.yaml"
    assert main([name, "--site", str(missing)]) == 2
    assert str(missing) in capsys.readouterr().err


def test_the_code_of_a_command_is_the_code_of_the_program(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bad news travels to the shell."""
    monkeypatch.setattr("controller.commands.bookings.run", lambda _: 1)
    assert main(["bookings"]) == 1


def run_program(*arguments: str, code: str | None = None) -> subprocess.CompletedProcess[str]:
    start = ["-c", code] if code else ["-m", "controller"]
    command = [sys.executable, *start, *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_the_module_is_the_program() -> None:
    """``python -m controller`` is ``slabtide``."""
    done = run_program("--version")
    assert (done.returncode, done.stdout) == (0, f"slabtide {__version__}\n")


def test_a_reader_that_has_gone_is_no_error() -> None:
    """``slabtide bookings | head -1`` ends quietly."""
    code = (
        "import sys; from controller import cli; import controller.commands.bookings as b\n"
        "b.run = lambda _: [print('x' * 99) for _ in range(10**5)] and 0\n"
        "sys.exit(cli.main(['bookings']))"
    )
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-c", code], stdout=writer, stderr=subprocess.PIPE, timeout=60, check=False
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize("lines", [1, 10_000])
def test_an_answer_that_cannot_be_written_is_told(unbuffered: str, lines: int) -> None:
    """``slabtide bookings > /dev/full``: a sentence and code 1, whether it fails early or late."""
    code = (
        "import sys; from controller import cli; import controller.commands.bookings as b\n"
        f"b.run = lambda _: [print('x' * 99) for _ in range({lines})] and 0\n"
        "sys.exit(cli.main(['bookings']))"
    )
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-c", code],
            stdout=full,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONUNBUFFERED": unbuffered},
            timeout=60,
            check=False,
        )
    told = b"The answer could not be written: No space left on device.\n"
    assert (done.returncode, done.stderr) == (1, told)


def test_another_error_is_not_blamed_on_the_output(monkeypatch: pytest.MonkeyPatch) -> None:
    """What nobody has thought of keeps its trace."""

    def fail(_: object) -> int:
        raise OSError(errno.ENOSPC, "no space elsewhere")

    monkeypatch.setattr("controller.commands.bookings.run", fail)
    with pytest.raises(OSError, match="elsewhere"):
        main(["bookings"])


def test_without_standard_output_nothing_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Python knows none where it was closed (``>&-``)."""
    monkeypatch.setattr(sys, "stdout", None)
    assert main(["bookings", "--site", str(example_site(tmp_path))]) == 0


def test_looking_at_the_commands_loads_no_numerics() -> None:
    """The parser imports every command; none may bring numpy into the guard process by that."""
    code = (
        "import sys; from controller import cli; cli._parser()\n"
        "print(sorted({'numpy', 'scipy', 'sklearn'} & set(sys.modules)))"
    )
    assert run_program(code=code).stdout == "[]\n"


def example_site(tmp_path: Path) -> Path:
    """The example's files; its records would stand in ``state`` beside their folder."""
    examples = Path(__file__).parents[2] / "config"
    folder = tmp_path / "config"
    folder.mkdir()
    for name in ("site.yaml", "limits.yaml", "bookings.yaml"):
        (folder / name).write_text((examples / name).read_text("utf-8"), "utf-8")
    return folder / "site.yaml"


def test_acknowledge_names_a_heater_that_there_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The request is left for the site's only heater; another one is bad input."""
    site = str(example_site(tmp_path))
    assert main(["acknowledge", "--site", site, "--heater", "furnace"]) == 2
    assert "furnace" in capsys.readouterr().err
    assert main(["acknowledge", "--site", site]) == 0
    assert "nothing at boiler waits" in capsys.readouterr().out
    assert len(list((tmp_path / "state" / "requests").iterdir())) == 1


def test_acknowledging_as_another_user_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What root leaves the service cannot read: nothing is left, and the right command is told."""
    site = str(example_site(tmp_path))
    (tmp_path / "state").mkdir()
    owner = pwd.getpwuid(os.geteuid()).pw_name
    monkeypatch.setattr(os, "geteuid", lambda: (tmp_path / "state").stat().st_uid + 1)
    assert main(["acknowledge", "--site", site]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert f"sudo -u {owner} slabtide acknowledge --site {site} --heater boiler" in said.err
    assert list((tmp_path / "state").iterdir()) == []


def test_a_request_that_cannot_be_left_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A disk that is full or read-only lifts no lockout, and nobody may believe it did."""
    site = str(example_site(tmp_path))
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "requests").write_text("in the way")
    assert main(["acknowledge", "--site", site]) == 2
    assert "nothing is lifted" in capsys.readouterr().err


def test_a_socket_at_which_nobody_listens_is_bad_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """``run --lockstep`` says so and ends with code 2; nothing has been started."""
    for socket in (tmp_path / "nobody", tmp_path / ("a" * 300), tmp_path):
        assert main(["run", "--lockstep", str(socket)]) == 2
        assert f"no pacer listens at {socket}" in capsys.readouterr().err
