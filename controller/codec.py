"""Records to plain JSON values and back, by their type hints. No pickle, no code in the data."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Callable, Mapping
from enum import Enum
from functools import cache
from typing import Any, TypeVar, Union

T = TypeVar("T")


def to_plain(value: object) -> Any:
    """Turn a record (or a tuple, mapping, enum or number of them) into JSON values."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {name: to_plain(getattr(value, name)) for name in _given(type(value))}
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
    hint: Any = kind
    return typing.cast(T, _decoder(hint)(data))


@cache
def _given(record: Any) -> tuple[str, ...]:
    """The fields that make a record; what it works out of them itself is not kept."""
    return tuple(field.name for field in dataclasses.fields(record) if field.init)


_Decoder = Callable[[object], object]


@cache
def _decoder(kind: Any) -> _Decoder:
    """What rebuilds a value of a type; made once for each, so that looking back is quick."""
    origin = typing.get_origin(kind)
    if origin in (Union, types.UnionType):
        return _decoder_of_optional(kind)
    if origin in (tuple, frozenset):
        return _decoder_of_several(origin, typing.get_args(kind)[0])
    if origin is not None and issubclass(origin, Mapping):
        return _decoder_of_mapping(typing.get_args(kind)[1])
    if dataclasses.is_dataclass(kind):
        return _decoder_of_record(kind)
    return _decoder_of_scalar(kind)


def _decoder_of_optional(kind: Any) -> _Decoder:
    inner = [arg for arg in typing.get_args(kind) if arg is not type(None)]
    if len(inner) != 1:
        raise ValueError(f"cannot rebuild a choice of {inner}")
    decode = _decoder(inner[0])

    def rebuild(data: object) -> object:
        return None if data is None else decode(data)

    return rebuild


def _decoder_of_several(origin: Any, item: Any) -> _Decoder:
    decode = _decoder(item)

    def rebuild(data: object) -> object:
        if not isinstance(data, list):
            raise ValueError(f"expected a list, found {data!r:.80}")
        return origin(map(decode, data))

    return rebuild


def _decoder_of_mapping(item: Any) -> _Decoder:
    decode = _decoder(item)

    def rebuild(data: object) -> object:
        if not isinstance(data, dict):
            raise ValueError(f"expected an object, found {data!r:.80}")
        return {key: decode(entry) for key, entry in data.items()}

    return rebuild


def _decoder_of_record(kind: Any) -> _Decoder:
    hints = typing.get_type_hints(kind)
    decoders = {name: _decoder(hints[name]) for name in _given(kind)}

    def rebuild(data: object) -> object:
        if not isinstance(data, dict):
            raise ValueError(f"expected the fields of {kind.__name__}, found {data!r:.80}")
        unknown = data.keys() - decoders.keys()
        if unknown:
            raise ValueError(f"{kind.__name__} has no field {', '.join(sorted(unknown))}")
        try:
            return kind(**{name: decoders[name](item) for name, item in data.items()})
        except TypeError as error:
            raise ValueError(str(error)) from error

    return rebuild


def _decoder_of_scalar(kind: Any) -> _Decoder:
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind

    def rebuild(data: object) -> object:
        if kind is float and isinstance(data, int | float) and not isinstance(data, bool):
            return _to_float(data)
        if isinstance(data, str) and kind is str:
            return _whole_text(data)
        if isinstance(data, kind) and not (kind is int and isinstance(data, bool)):
            return data
        raise ValueError(f"expected {kind.__name__}, found {data!r:.80}")

    return rebuild


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
