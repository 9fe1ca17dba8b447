"""JSON Pointer (RFC 6901): the path to one value inside a JSON document."""

from __future__ import annotations

import re

_STRAY_TILDE = re.compile(r"~(?![01])")
_INDEX = re.compile(r"0|[1-9][0-9]{0,9}")


class NothingThere(LookupError):
    """The pointer finds nothing in the document, or is no JSON Pointer."""


def resolve(document: object, pointer: str) -> object:
    """Find the value that a pointer names.

    Parameters
    ----------
    document : object
        What ``json.loads`` returned.
    pointer : str
        Empty for the whole document, else tokens that each begin with ``/``; ``~1`` stands for
        ``/`` and ``~0`` for ``~`` inside a token.

    Returns
    -------
    object

    Raises
    ------
    NothingThere
        Also for ``-``, which names the element after the last of an array (RFC 6901, section 4).
    """
    if pointer == "":
        return document
    if not pointer.startswith("/") or _STRAY_TILDE.search(pointer):
        raise NothingThere(f"{pointer!r} is no JSON Pointer")
    for token in pointer[1:].split("/"):
        # in this order: ~01 means the two characters ~1
        document = _step(document, token.replace("~1", "/").replace("~0", "~"))
    return document


def _step(document: object, token: str) -> object:
    if isinstance(document, dict) and token in document:
        found: object = document[token]
        return found
    if isinstance(document, list) and _INDEX.fullmatch(token) and int(token) < len(document):
        return document[int(token)]
    raise NothingThere(f"nothing at {token!r}")
