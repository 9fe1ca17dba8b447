"""Records to plain JSON values and back, by their type hints. No pickle, no code in the data."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from enum import Enum
from functools import cache
from typing import Any, TypeVar, Union

T = TypeVar("T")


def to_plain(value: object) -> Any:
    """Turn a record (or a tuple, mapping, enum or number of them) into JSON values."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, frozenset):
        return sorted(to_plain(item) for item in value)
    if isinstance(value, tuple | list):
        return [to_plain(item) for item in value]
    return value


def from_plain(kind: type[T], data: object) -> T:
    """Rebuild a record of type ``kind`` from JSON values.

    Raises
    ------
    ValueError
        Where the data does not fit the record: a missing or unknown field, a wrong type.
    """
    return typing.cast(T, _rebuild(kind, data))


def _rebuild(kind: Any, data: object) -> object:
    origin = typing.get_origin(kind)
    if origin in (Union, types.UnionType):
        return _rebuild_optional(kind, data)
    if origin in (tuple, frozenset):
        item = typing.get_args(kind)[0]
        if not isinstance(data, list):
            raise ValueError(f"expected a list, found {data!r:.80}")
        return origin(_rebuild(item, entry) for entry in data)
    if origin is not None and issubclass(origin, Mapping):
        item = typing.get_args(kind)[1]
        if not isinstance(data, dict):
            raise ValueError(f"expected an object, found {data!r:.80}")
        return {key: _rebuild(item, entry) for key, entry in data.items()}
    if dataclasses.is_dataclass(kind):
        return _rebuild_record(kind, data)
    return _rebuild_scalar(kind, data)


def _rebuild_optional(kind: Any, data: object) -> object:
    if data is None:
        return None
    inner = [arg for arg in typing.get_args(kind) if arg is not type(None)]
    if len(inner) != 1:
        raise ValueError(f"cannot rebuild a choice of {inner}")
    return _rebuild(inner[0], data)


@cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _rebuild_record(kind: Any, data: object) -> object:
    if not isinstance(data, dict):
        raise ValueError(f"expected the fields of {kind.__name__}, found {data!r:.80}")
    hints = _hints(kind)
    unknown = set(data) - set(hints)
    if unknown:
        raise ValueError(f"{kind.__name__} has no field {', '.join(sorted(unknown))}")
    try:
        return kind(**{name: _rebuild(hints[name], item) for name, item in data.items()})
    except TypeError as error:
        raise ValueError(str(error)) from error


def _rebuild_scalar(kind: Any, data: object) -> object:
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(data)
    if kind is float and isinstance(data, int | float) and not isinstance(data, bool):
        return _to_float(data)
    if isinstance(data, str) and kind is str:
        return _whole_text(data)
    if isinstance(data, kind) and not (kind is int and isinstance(data, bool)):
        return data
    raise ValueError(f"expected {kind.__name__}, found {data!r:.80}")


def _whole_text(text: str) -> str:
    """A text that can be stored: JSON can write half a surrogate pair, UTF-8 cannot."""
    if not text.isascii():
        text.encode("utf-8")  # its error is a ValueError
    return text


def _to_float(number: int | float) -> float:
    try:
        return float(number)
    except OverflowError as error:
        raise ValueError("expected float, found a whole number too large for one") from error
