"""JSON Pointer against the examples of its standard."""

from __future__ import annotations

import contextlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.sensors.json_pointer import NothingThere, resolve

# RFC 6901, section 5: the document and what each pointer evaluates to
DOCUMENT = json.loads(
    r"""{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5,
    "k\"l": 6, " ": 7, "m~n": 8}"""
)


@pytest.mark.parametrize(
    ("pointer", "found"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_examples_of_the_standard(pointer, found):
    """Every example of RFC 6901, section 5, evaluates as printed there."""
    assert resolve(DOCUMENT, pointer) == found


def test_escapes_are_undone_in_the_right_order():
    """``~01`` means ``~1`` and never ``/`` (RFC 6901, section 4)."""
    assert resolve({"~1": "tilde", "/": "slash"}, "/~01") == "tilde"


@pytest.mark.parametrize(
    "pointer",
    ["foo", "/bar", "/foo/2", "/foo/-", "/foo/01", "/foo/+1", "/foo/ 1", "/foo/1/0", "/m~n",
     "/foo/~2", "/foo/99999999999999999999", "/foo/٠"],
)  # fmt: skip
def test_a_pointer_that_finds_nothing(pointer):
    """Absent members, bad indices, the ``-`` index and stray tildes find nothing."""
    with pytest.raises(NothingThere):
        resolve(DOCUMENT, pointer)


_DOCUMENTS = st.recursive(
    st.none() | st.floats(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=8,
)


@given(_DOCUMENTS, st.lists(st.sampled_from(["", "0", "1", "-", "a", "~0", "~"]), max_size=4))
def test_a_pointer_without_slashes_finds_the_whole_or_nothing(document, tokens):
    """Any pointer leads somewhere or raises ``NothingThere``; only the empty one is the whole."""
    pointer = "".join(tokens)
    if pointer == "":
        assert resolve(document, pointer) is document
    else:
        with pytest.raises(NothingThere):
            resolve(document, pointer)
    with contextlib.suppress(NothingThere):
        resolve(document, "/" + "/".join(tokens))


@given(st.text(max_size=20))
def test_every_key_can_be_pointed_at(key):
    """Escaping a key by the standard's rule always leads back to it."""
    escaped = key.replace("~", "~0").replace("/", "~1")
    assert resolve({key: 1.5}, f"/{escaped}") == 1.5
