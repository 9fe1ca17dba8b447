"""A YAML file as a small tree of texts with their places; nothing in it is ever constructed.

Values stay the text that the owner wrote: ``18:30``, ``no`` and ``2026-02-30`` are read by whoever
knows what they should be. Tags, anchors, aliases and several documents in one file are refused,
which leaves no way to build objects or to blow a small file up.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML, events
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from controller.configuration.problems import Findings, Spot, shown

MAX_BYTES = 1_000_000
"""A file above this is refused unread. A large workshop's files stay below a hundredth of it."""

MAX_VALUES = 10_000
"""More values than this are refused: reading them would hold up a tick on a small machine."""

MAX_DEPTH = 12

_UNPRINTABLE = re.compile(
    "[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)
_TAB_INDENT = re.compile(r"^ *\t(?=.*\S)", re.MULTILINE)

_REMEDIES = {
    "mapping values are not allowed": "indent each key below its parent by spaces, and put text "
    "that holds a colon in quotes",
    "could not find expected ':'": "write the key, a colon, a space and its value",
    "expected <block end>": "line this up with the lines above that belong together with it",
    "while scanning a quoted scalar": "close the quote on the same line",
    "expected ',' or": "close the bracket and put commas between the entries",
    "cannot start any token": "put the text in quotes",
}


@dataclass(frozen=True, slots=True)
class Scalar:
    """A text. ``faulty`` where a problem with it is already noted."""

    spot: Spot
    text: str
    quoted: bool = False
    faulty: bool = False


@dataclass(frozen=True, slots=True)
class Listing:
    """A list."""

    spot: Spot
    items: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """One key of a mapping with its value."""

    key: Scalar
    value: Node


@dataclass(frozen=True, slots=True)
class Table:
    """A mapping, in the order of the file."""

    spot: Spot
    entries: dict[str, Entry]


Node = Scalar | Listing | Table


def read_text(path: Path, findings: Findings) -> str | None:
    """Read a file as text, or note why that cannot be done and give None."""
    spot = Spot(str(path))
    try:
        data = _read_bytes(path)
    except FileNotFoundError:
        findings.add(spot, "there is no such file", "create it, as in the examples in config/")
        return None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        findings.add(spot, f"the file cannot be read ({reason})", "give a readable file")
        return None
    if len(data) > MAX_BYTES:
        findings.add(spot, f"the file is larger than {MAX_BYTES} bytes", "keep it below that")
        return None
    return _decode(data, spot, findings)


def read_roughly(path: Path) -> str:
    """What can be read of a file's text, which may be none; bytes that are no text are replaced."""
    try:
        data = _read_bytes(path)[:MAX_BYTES]
    except (OSError, ValueError):
        return ""
    return data.decode("utf-8-sig", errors="replace")


def read_tree(text: str, file: str, findings: Findings) -> Table | None:
    """Turn a file's text into its mapping, or note every reason why not and give None."""
    if not _printable(text, file, findings):
        return None
    builder = _Builder(text, file, findings)
    try:
        root = builder.build()
    except _Refused:
        return None
    except MarkedYAMLError as error:
        findings.add(_error_spot(error, file), _in_words(error), _remedy(error))
        return None
    except (YAMLError, ValueError) as error:
        # ValueError: what the parser lets through for a malformed escape or directive
        findings.add(Spot(file), f"the file is not YAML ({shown(str(error))})", "write YAML 1.2")
        return None
    return _mapping(root, file, findings)


def _read_bytes(path: Path) -> bytes:
    if path.exists() and not path.is_file():
        raise OSError(0, "it is not a file")
    with path.open("rb") as stream:
        return stream.read(MAX_BYTES + 1)


def _decode(data: bytes, spot: Spot, findings: Findings) -> str | None:
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8", errors="replace")
        line = before.count("\n") + 1
        column = len(before) - (before.rfind("\n") + 1) + 1
        byte = data[error.start]
        findings.add(
            Spot(spot.file, line, column),
            f"byte 0x{byte:02x} is not UTF-8",
            "save the file as UTF-8 text",
        )
        return None


def _printable(text: str, file: str, findings: Findings) -> bool:
    """Whether the text holds only what YAML allows; tabs are refused where they would indent."""
    bad = _UNPRINTABLE.search(text)
    if bad:
        code = f"U+{ord(bad.group()):04X}"
        spot = _spot_at(text, bad.start(), file)
        findings.add(spot, f"the file holds the control character {code}", "remove it")
        return False
    tabs = [match.end() - 1 for match in _TAB_INDENT.finditer(text)]
    for at in tabs[:20]:
        findings.add(_spot_at(text, at, file), "a tab stands in the indentation", "use spaces")
    return not tabs


def _spot_at(text: str, at: int, file: str) -> Spot:
    return Spot(file, text.count("\n", 0, at) + 1, at - (text.rfind("\n", 0, at) + 1) + 1)


def _error_spot(error: MarkedYAMLError, file: str) -> Spot:
    mark = error.problem_mark or error.context_mark
    if error.context_mark and any(end in str(error.problem) for end in ("end of", "stream end")):
        mark = error.context_mark  # what is left open is found only at the end of the file
    return Spot(file, mark.line + 1, mark.column + 1) if mark else Spot(file)


def _in_words(error: MarkedYAMLError) -> str:
    parts = (error.context, error.problem)
    return "the file is not YAML here: " + ", ".join(" ".join(p.split()) for p in parts if p)


def _remedy(error: MarkedYAMLError) -> str:
    message = f"{error.context} {error.problem}"
    for fragment, remedy in _REMEDIES.items():
        if fragment in message:
            return remedy
    return "check indentation, quotes and brackets here and on the line above"


def _mapping(root: Node | None, file: str, findings: Findings) -> Table | None:
    if isinstance(root, Table):
        return root
    if root is None or (isinstance(root, Scalar) and not root.text and not root.faulty):
        findings.add(Spot(file), "the file is empty", "write the keys that config/README.md lists")
    elif not isinstance(root, Scalar) or not root.faulty:
        kind = "a list" if isinstance(root, Listing) else "a single text"
        findings.add(root.spot, f"the file holds {kind}", "write keys with their values")
    return None


class _Refused(Exception):
    """The file was given up; the problem that says why is noted."""


class _Builder:
    """Builds the tree from the parser's events, so that every limit holds while reading."""

    def __init__(self, text: str, file: str, findings: Findings) -> None:
        # the library gives its events' attributes no types
        self._events: Iterator[Any] = YAML(typ="safe", pure=True).parse(text)
        self._file = file
        self._findings = findings
        self._left = MAX_VALUES

    def build(self) -> Node | None:
        """Give the single document's root, None where the file holds none."""
        root: Node | None = None
        for event in self._events:
            if isinstance(event, events.DocumentStartEvent):
                if root is not None:
                    self._refuse(event, "a second document begins", "keep one, without ---")
                root = self._node(next(self._events), MAX_DEPTH)
        return root

    def _node(self, event: Any, depth: int) -> Node:
        self._left -= 1
        if self._left < 0:
            self._refuse(event, f"the file holds more than {MAX_VALUES} values", "keep it smaller")
        if depth < 0:
            self._refuse(event, f"values are nested deeper than {MAX_DEPTH}", "nest them less")
        if isinstance(event, events.AliasEvent):
            self._note(event, f"the alias *{event.anchor} is used", "write the value itself")
            return Scalar(self._spot(event), "", faulty=True)
        self._check_plain(event)
        if isinstance(event, events.MappingStartEvent):
            return self._table(event, depth)
        if isinstance(event, events.SequenceStartEvent):
            return self._listing(event, depth)
        quoted = event.style is not None
        return Scalar(self._spot(event), event.value, quoted)

    def _listing(self, start: Any, depth: int) -> Listing:
        items = []
        while not isinstance(event := next(self._events), events.SequenceEndEvent):
            items.append(self._node(event, depth - 1))
        return Listing(self._spot(start), tuple(items))

    def _table(self, start: Any, depth: int) -> Table:
        entries: dict[str, Entry] = {}
        while not isinstance(event := next(self._events), events.MappingEndEvent):
            key = self._node(event, depth - 1)
            value = self._node(next(self._events), depth - 1)
            if isinstance(value, Scalar) and not (value.text or value.quoted):
                # the parser finds that a value is missing only where the next thing stands
                value = replace(value, spot=key.spot)
            if not isinstance(key, Scalar):
                self._findings.add(key.spot, "a key is not a single text", "write key: value")
            elif key.text in entries:
                first = entries[key.text].key.spot.line
                wrong = f"the key {shown(key.text)} was already given on line {first}"
                self._findings.add(key.spot, wrong, "keep one of them")
            elif not key.faulty:
                entries[key.text] = Entry(key, value)
        return Table(self._spot(start), entries)

    def _check_plain(self, event: Any) -> None:
        if event.anchor is not None:
            self._note(event, f"the anchor &{event.anchor} is set", "write values out, unnamed")
        if event.tag is not None:
            self._note(event, f"the tag {shown(str(event.tag))} is set", "write the plain value")

    def _note(self, event: Any, wrong: str, right: str) -> None:
        self._findings.add(self._spot(event), wrong, right)

    def _refuse(self, event: Any, wrong: str, right: str) -> None:
        self._note(event, wrong, right)
        raise _Refused

    def _spot(self, event: Any) -> Spot:
        mark = event.start_mark
        return Spot(self._file, mark.line + 1, mark.column + 1)
