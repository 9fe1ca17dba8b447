"""A file that is no usable YAML is refused at the right place, whatever is in it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.configuration import Problem
from controller.configuration.problems import Findings
from controller.configuration.yaml_source import (
    MAX_BYTES,
    MAX_DEPTH,
    MAX_VALUES,
    Scalar,
    read_tree,
)

Load = Callable[[], list[Problem]]


# the whole file; the only problem's line, column and what its message says
UNUSABLE = [
    pytest.param(b"", 1, 1, "the file is empty", id="empty"),
    pytest.param(b"# only a comment\n", 1, 1, "the file is empty", id="comment"),
    pytest.param(b"---\n", 1, 1, "the file is empty", id="empty document"),
    pytest.param(b"just text\n", 1, 1, "holds a single text", id="text"),
    pytest.param(b"\n- a\n- b\n", 2, 1, "holds a list", id="list"),
    pytest.param(b"id: a\n\tstore: b\n", 2, 1, "a tab stands in the indentation", id="tab"),
    pytest.param(b"a:\n  \tb: c\n", 2, 3, "a tab stands in the indentation", id="tab after space"),
    pytest.param(b"id: a\nname: \xff\n", 2, 7, "byte 0xff is not UTF-8", id="UTF-8"),
    pytest.param("é: é\nb: ".encode() + b"\xc3(\n", 2, 4, "byte 0xc3 is not UTF-8", id="cut"),
    pytest.param("id: a\n".encode("utf-16"), 1, 1, "byte 0xff is not UTF-8", id="UTF-16"),
    pytest.param(b"id: a\x00b\n", 1, 6, "control character U+0000", id="NUL"),
    pytest.param(b"id: a\nx: \x1b[31m\n", 2, 4, "control character U+001B", id="escape"),
    pytest.param(b"id: a: b\n", 1, 6, "mapping values are not allowed", id="two colons"),
    pytest.param(b'id: "abc\nb: c\n', 1, 5, "unexpected end of stream", id="open quote"),
    pytest.param(b"id: a\nb: [1, 2\n", 2, 4, "expected ',' or ']'", id="open bracket"),
    pytest.param(b"a:\n    b: 1\n  c: 2\n", 3, 3, "expected <block end>", id="indentation"),
    pytest.param(b"a: 1\nb\nc: 2\n", 3, 1, "could not find expected ':'", id="no colon"),
    pytest.param(b"a: @b\n", 1, 4, "cannot start any token", id="reserved sign"),
    pytest.param(b'a: "\\q"\n', 1, 6, "unknown escape character", id="escape character"),
    pytest.param(b"%YAML 9.9\n---\na: 1\n", 1, 1, "version", id="unknown version"),
    pytest.param(b"a: 1\n---\nb: 2\n", 2, 1, "a second document begins", id="two documents"),
    pytest.param(b"a: 1\n" + b"#" * MAX_BYTES, 1, 1, "larger than", id="too large"),
    pytest.param(b"a: " + b"[" * 100_000, 1, 4 + MAX_DEPTH, "nested deeper", id="deep"),
    pytest.param(b"a:\n" + b"- 1\n" * MAX_VALUES, MAX_VALUES - 1, 3, "more than", id="many"),
]


@pytest.mark.parametrize(("content", "line", "column", "wrong"), UNUSABLE)
def test_an_unusable_file_is_refused_at_its_place(
    folder: Path, load_broken: Load, content: bytes, line: int, column: int, wrong: str
) -> None:
    """One problem, at the place of the fault, and no traceback."""
    (folder / "limits.yaml").write_bytes(content)
    (problem,) = load_broken()
    assert wrong in problem.wrong
    assert (Path(problem.file).name, problem.line, problem.column) == ("limits.yaml", line, column)


def test_a_missing_file_is_a_problem(folder: Path, load_broken: Load) -> None:
    """A file that is not there is named, and what to do is said."""
    (folder / "bookings.yaml").unlink()
    (problem,) = load_broken()
    assert str(problem) == (
        f"{folder / 'bookings.yaml'}:1:1: there is no such file; "
        "create it, as in the examples in config/"
    )


def test_a_folder_in_place_of_a_file_is_a_problem(folder: Path, load_broken: Load) -> None:
    """Something that is no file is named."""
    (folder / "limits.yaml").unlink()
    (folder / "limits.yaml").mkdir()
    (problem,) = load_broken()
    assert problem.wrong == "the file cannot be read (it is not a file)"


def test_doubling_aliases_build_nothing(folder: Path, load_broken: Load) -> None:
    """Thirty lines that would make a thousand million values give problems at once."""
    lines = ["a0: &a0 [1, 1]"]
    lines += [f"a{n}: &a{n} [*a{n - 1}, *a{n - 1}]" for n in range(1, 31)]
    (folder / "limits.yaml").write_text("\n".join(lines))
    problems = load_broken()
    anchor, alias = (
        next(p for p in problems if word in p.wrong) for word in ("anchor &a1 ", "alias *a0 ")
    )
    assert (anchor.line, anchor.column, alias.line, alias.column) == (2, 5, 2, 10)


@pytest.mark.parametrize(
    ("value", "tag"),
    [
        ("!!python/object/apply:os.system [echo]", "python"),
        ("!!str 40", "str"),
        ("!mine 40", "!mine"),
    ],
)
def test_tags_are_refused_and_construct_nothing(
    folder: Path, load_broken: Load, value: str, tag: str
) -> None:
    """A tag is a problem at its place; no object is built from it."""
    path = folder / "limits.yaml"
    path.write_text(path.read_text().replace("slab_max_c: 40", f"slab_max_c: {value}"))
    first = load_broken()[0]
    assert (first.line, first.column) == (1, 13)
    assert tag in first.wrong
    assert first.wrong.startswith("the tag ")


def test_duplicate_keys_are_all_named(folder: Path, load_broken: Load) -> None:
    """Each second giving of a key is a problem that names the line of the first."""
    path = folder / "limits.yaml"
    path.write_text(path.read_text() + "slab_max_c: 41\nrest_min: 20\n")
    problems = load_broken()
    assert [(p.line, p.column) for p in problems] == [(13, 1), (14, 1)]
    assert "already given on line 1" in problems[0].wrong
    assert "already given on line 10" in problems[1].wrong


def test_a_key_must_be_a_single_text(folder: Path, load_broken: Load) -> None:
    """A list as a key is a problem at its place."""
    path = folder / "limits.yaml"
    path.write_text(path.read_text() + "[a, b]: 1\n")
    (problem,) = load_broken()
    assert (problem.line, problem.column, problem.wrong) == (13, 1, "a key is not a single text")


@pytest.mark.parametrize("ending", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_any_line_ending_and_a_byte_order_mark_are_read(
    folder: Path, load_broken: Load, ending: bytes, mark: bytes
) -> None:
    """Files from any editor give the same places."""
    path = folder / "limits.yaml"
    text = path.read_bytes().replace(b"max_c: 29", b"max_c: hot").replace(b"slab_max", b"slab_mix")
    path.write_bytes(mark + text.replace(b"\n", ending))
    assert [(p.line, p.column) for p in load_broken()] == [(1, 1), (3, 24)]


def test_times_and_words_stay_text() -> None:
    """``18:30``, ``no`` and a date are the text that was written, never another type."""
    table = read_tree("a: 18:30\nb: no\nc: 2026-02-30\nd: 'x'\n", "f", Findings())
    assert table is not None
    values = [entry.value for entry in table.entries.values()]
    assert all(isinstance(value, Scalar) for value in values)
    assert [v.text for v in values if isinstance(v, Scalar)] == ["18:30", "no", "2026-02-30", "x"]
    assert [v.quoted for v in values if isinstance(v, Scalar)] == [False, False, False, True]
