"""Reads one mapping of a configuration file key by key, noting every problem on the way."""

from __future__ import annotations

from collections.abc import Iterable
from types import TracebackType
from typing import TypeVar

from controller.configuration.kinds import IDENT, Kind, Unfit
from controller.configuration.problems import Findings, Spot, nearest, shown
from controller.configuration.yaml_source import Entry, Listing, Node, Scalar, Table

T = TypeVar("T")
D = TypeVar("D")

_NULLS = frozenset({"", "~", "null", "Null", "NULL"})
_MOST_UNKNOWN_KEYS = 20


class Fields:
    """The keys of one mapping. Used in a ``with`` block, whose end reports what nobody asked for.

    Every read gives a value of its type. Where the file has none that fits, a problem is noted
    and the kind's stand-in is given, so that all problems come out in one pass.

    Parameters
    ----------
    table : Table or None
        None stands for a mapping that is missing or no mapping, which is already noted: every
        read then gives a stand-in in silence.
    path : str
        How messages call this mapping, such as ``zones.boat-bay``; empty for the whole file.
    spot : Spot
        Where a missing key is reported.
    """

    def __init__(self, table: Table | None, *, path: str, spot: Spot, findings: Findings) -> None:
        self._table = table
        self._path = path
        self._spot = spot
        self._findings = findings
        self._asked: set[str] = set()
        self._missing: dict[str, str] = {}
        self._sound = True

    def __enter__(self) -> Fields:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None:
            self._report_keys()

    @property
    def readable(self) -> bool:
        """Whether there is a mapping at all."""
        return self._table is not None

    @property
    def sound(self) -> bool:
        """Whether every value read so far was fit, so that more may be concluded from them."""
        return self._sound and self.readable

    def has(self, key: str) -> bool:
        """Whether the file gives this key."""
        return self._table is not None and key in self._table.entries

    def read(self, key: str, kind: Kind[T]) -> T:
        """Read a key that must be there."""
        entry = self._required(key, kind.expected)
        return self._value(key, entry.value, kind) if entry else kind.stand_in

    def read_or(self, key: str, kind: Kind[T], default: D) -> T | D:
        """Read a key that may be left out."""
        entry = self._entry(key)
        return self._value(key, entry.value, kind) if entry else default

    def items(self, key: str, kind: Kind[T], *, required: bool = True) -> list[tuple[T, Spot]]:
        """Read a list of single values, each with its place; unfit ones are left out."""
        nodes = self._listing(key, f"a list, each {kind.expected}", required=required)
        found = [(self._value(key, node, kind), node.spot) for node in nodes]
        return [(value, spot) for value, spot in found if value != kind.stand_in]

    def table(self, key: str) -> Fields:
        """Read a mapping that must be there."""
        entry = self._required(key, "keys of its own")
        return self._below(key, entry.key.spot, entry.value) if entry else self._nothing(key)

    def table_or_none(self, key: str) -> Fields | None:
        """Read a mapping that may be left out."""
        entry = self._entry(key)
        return self._below(key, entry.key.spot, entry.value) if entry else None

    def tables(self, key: str, *, empty: bool = False) -> list[tuple[str, Fields]]:
        """Read a mapping from ids to mappings. Keys that are no ids are noted, and read on."""
        found = self.entries(key, empty=empty)
        for entry in found:
            self._value(key, entry.key, IDENT)
        return [(entry.key.text, self.below(key, entry)) for entry in found]

    def entries(self, key: str, *, required: bool = True, empty: bool = False) -> list[Entry]:
        """Give the raw keys and values of a mapping whose keys are the owner's own."""
        expected = "a mapping ({} where there is nothing)" if empty else "a mapping, not empty"
        entry = self._required(key, expected) if required else self._entry(key)
        if entry is None:
            return []
        if not isinstance(entry.value, Table) or not (empty or entry.value.entries):
            self._note(entry.value, f"{self._name(key)} is {_called(entry.value)}", expected)
            return []
        return list(entry.value.entries.values())

    def listed(self, key: str) -> list[Fields]:
        """Read a list of mappings that may be left out."""
        return [
            self._below(f"{key}[{number}]", item.spot, item)
            for number, item in enumerate(
                self._listing(key, "a list of mappings", required=False), start=1
            )
        ]

    def below(self, key: str, entry: Entry) -> Fields:
        """Read the mapping that one of this mapping's ``entries`` holds."""
        return self._below(f"{key}.{entry.key.text}", entry.key.spot, entry.value)

    def value(self, key: str, node: Node, kind: Kind[T]) -> T:
        """Read one value of ``entries`` below ``key``."""
        return self._value(key, node, kind)

    def refuse(self, key: str, wrong: str, right: str) -> None:
        """Note a problem where a known key is given that has no place here."""
        entry = self._entry(key)
        if entry is not None:
            self._findings.add(entry.key.spot, wrong, right)

    def forbid(self, keys: Iterable[str], wrong: str, right: str) -> None:
        """Note a problem with each of some keys that are given, none of which is ever right."""
        given = self._table.entries if self._table else {}
        for key in keys:
            if key in given:
                self.refuse(key, wrong, right)

    def blame_at(self, spot: Spot, wrong: str, right: str) -> None:
        """Note a problem with something read from this mapping, at its own place."""
        self._findings.add(spot, wrong, right)

    def blame(self, key: str | None, wrong: str, right: str) -> None:
        """Note a problem with a key's value, or with this mapping where the key is not given."""
        entry = self._table.entries.get(key) if self._table and key else None
        self._findings.add(entry.value.spot if entry else self._spot, wrong, right)

    def _required(self, key: str, expected: str) -> Entry | None:
        entry = self._entry(key)
        if entry is None:
            self._sound = False
            self._missing[key] = expected
        return entry

    def _entry(self, key: str) -> Entry | None:
        self._asked.add(key)
        return self._table.entries.get(key) if self._table else None

    def _listing(self, key: str, expected: str, *, required: bool) -> tuple[Node, ...]:
        entry = self._required(key, expected) if required else self._entry(key)
        if entry is None:
            return ()
        if not isinstance(entry.value, Listing):
            self._note(entry.value, f"{self._name(key)} is {_called(entry.value)}", expected)
            return ()
        if not entry.value.items:
            self._note(entry.value, f"{self._name(key)} is an empty list", expected)
        return entry.value.items

    def _value(self, key: str, node: Node, kind: Kind[T]) -> T:
        if _faulty(node):
            self._sound = False
            return kind.stand_in
        name = self._name(key)
        if not isinstance(node, Scalar) or (not node.quoted and node.text in _NULLS):
            self._note(node, f"{name} is {_called(node)}", kind.expected)
            return kind.stand_in
        if node.quoted and kind.plain:
            self._note(node, f"{name} is text, for it is in quotes", f"{kind.expected}, unquoted")
            return kind.stand_in
        try:
            return kind.parse(node.text)
        except Unfit as unfit:
            self._note(node, f"{name} is {shown(node.text)}, {unfit}", kind.expected)
            return kind.stand_in

    def _below(self, key: str, spot: Spot, node: Node) -> Fields:
        if isinstance(node, Table):
            return Fields(node, path=self._name(key), spot=spot, findings=self._findings)
        self._note(node, f"{self._name(key)} is {_called(node)}", "keys with their values")
        return self._nothing(key)

    def _nothing(self, key: str) -> Fields:
        return Fields(None, path=self._name(key), spot=self._spot, findings=self._findings)

    def _note(self, node: Node, wrong: str, expected: str) -> None:
        self._sound = False
        if not _faulty(node):
            self._findings.add(node.spot, wrong, f"it must be {expected}")

    def _name(self, key: str) -> str:
        return f"{self._path}.{key}" if self._path else key

    def _report_keys(self) -> None:
        if self._table is None:
            return
        unknown = [e.key for k, e in self._table.entries.items() if k not in self._asked]
        for key in unknown[:_MOST_UNKNOWN_KEYS]:
            self._report_unknown(key)
        if len(unknown) > _MOST_UNKNOWN_KEYS:
            spot = unknown[_MOST_UNKNOWN_KEYS].spot
            left = len(unknown) - _MOST_UNKNOWN_KEYS
            self._findings.add(spot, f"{left} more keys are unknown", "remove them")
        for name, expected in self._missing.items():
            self._findings.add(self._spot, f"{self._name(name)} is missing", f"give {expected}")

    def _report_unknown(self, key: Scalar) -> None:
        close = nearest(key.text, self._asked)
        where = f" in {self._path}" if self._path else ""
        right = f"the nearest known key is {close}" if close else "config/README.md lists the keys"
        self._findings.add(key.spot, f"unknown key {shown(key.text)}{where}", right)
        if close:
            # a mistyped key is one fault, not an unknown and a missing one
            self._missing.pop(close, None)


def _faulty(node: Node) -> bool:
    return isinstance(node, Scalar) and node.faulty


def _called(node: Node) -> str:
    if isinstance(node, Scalar):
        empty = not node.quoted and node.text in _NULLS
        return "without a value" if empty else f"the single text {shown(node.text)}"
    if isinstance(node, Table) and not node.entries:
        return "an empty mapping"
    return "a list" if isinstance(node, Listing) else "a mapping"
