"""The README names what there is: both commands for a start, every command, every option."""

import argparse
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.cli import COMMANDS

README = (Path(__file__).parents[1] / "README.md").read_text()


def _sections() -> Iterator[tuple[str, str]]:
    """Each heading below the title with the text under it, up to the next one of any depth."""
    parts = re.split(r"^(##+ .*)$", README, flags=re.MULTILINE)
    yield from zip(parts[1::2], parts[2::2], strict=True)


def _passages(heading: str, text: str) -> Iterator[str]:
    """The section under its heading, its paragraphs, and each row of its tables."""
    yield heading + text
    for paragraph in text.split("\n\n"):
        yield from paragraph.splitlines() if paragraph.startswith("|") else [paragraph]


def _told_of(command: str) -> str:
    """Everything the README says about one command."""
    mention = re.compile(rf"\bslabtide {command}\b")
    return "\n".join(
        passage
        for heading, text in _sections()
        for passage in _passages(heading, text)
        if mention.search(passage.splitlines()[0] if passage.startswith("#") else passage)
    )


def _options(command: str) -> list[str]:
    parser = argparse.ArgumentParser(add_help=False)
    importlib.import_module(f"controller.commands.{command}").configure(parser)
    return [
        max(action.option_strings, key=len) for action in parser._actions if action.option_strings
    ]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_documented(command: str) -> None:
    """A command stands in the README with all of its own options beside it."""
    told = _told_of(command)
    assert told, f"README.md does not mention `slabtide {command}`"
    assert [o for o in _options(command) if not re.search(rf"{o}\b", told)] == []


def test_site_option_is_documented() -> None:
    """The option that every command takes stands there as well."""
    assert "--site" in README


@pytest.mark.parametrize("start", ["./deploy/demo", "./tests/check"])
def test_readme_offers_the_two_commands(start: str) -> None:
    """A stranger finds the two commands that set everything up by themselves."""
    assert start in README
