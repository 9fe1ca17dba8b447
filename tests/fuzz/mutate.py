"""Bad input made from good: bytes and JSON documents mutated by a seeded chance.

Beside plain noise it knows what has broken readers of such data before: deep nesting, numbers
beyond every type, names given twice, halves of surrogate pairs, lengths at a limit, odd times.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence

NUMBERS = (
    "0", "-0", "1", "-1", "18.5", "85", "-127", "1e308", "1e309", "-1e999", "1e-400", "5e-324",
    "9007199254740993", "9223372036854775808", "1" + "0" * 400, "9" * 5000, "0x10", "1_000", "+5",
    ".5", "5.", "1e", "NaN", "nan", "Infinity", "-inf", "٢٢", "２０", "1,5", "--1", "1.5.2", "012",
)  # fmt: skip
TEXTS = (
    "", " ", "\x00", "unavailable", "null", "true", "ON", "off", "°C", "\ufeff", "\u2028", "\r\n",
    "\\ud800", "é" * 40, "a" * 300, "💧", "\x1b[31m", "%s%n", "{}", "[]", "../../x", "\u202e",
)  # fmt: skip
TIMES = (
    "2026-11-26T21:30:00Z", "2026-11-26T21:30:00+01:00", "2016-12-31T23:59:60Z", "2026-02-30",
    "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "2026-11-26T24:00:00Z", "12026-01-01",
    "2026-W48-4T10:00Z", "20261126T213000Z", "2026-11-26T21:30:00.123456789Z", "1970-01-01T00:00Z",
    "2026-11-26 21:30", "1969-12-31T23:59:59Z", "2026-11-26T21:30:00+99:99", "2038-01-19T03:14:08Z",
)  # fmt: skip
DEEP = 200_000
LIMIT = 65_536


def mutated(chance: random.Random, good: Sequence[bytes]) -> bytes:
    """A payload: mostly a good one that was damaged, sometimes a good one, sometimes noise."""
    way = chance.random()
    payload = chance.choice(good)
    if way < 0.05:
        return payload
    if way < 0.10:
        return chance.randbytes(chance.randrange(64))
    if way < 0.20:
        return chance.choice(NUMBERS + TEXTS + TIMES).encode("utf-8", "surrogatepass")
    if way < 0.203:
        return _monstrous(chance, payload)
    if way < 0.65:
        return json_mutated(chance, payload)
    return bytes_mutated(chance, payload)


def bytes_mutated(chance: random.Random, payload: bytes) -> bytes:
    """Bytes flipped, cut, doubled, moved or put in, one to four times."""
    data = bytearray(payload)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(data) + 1)
        way = chance.randrange(6)
        if way == 0 and data:
            data[at % len(data)] ^= 1 << chance.randrange(8)
        elif way == 1:
            del data[at : at + chance.randint(1, 8)]
        elif way == 2:
            data[at:at] = chance.randbytes(chance.randint(1, 4))
        elif way == 3:
            data[at:at] = data[at : at + chance.randint(1, 30)]
        elif way == 4:
            data[at:at] = chance.choice(NUMBERS + TEXTS).encode("utf-8", "surrogatepass")
        else:
            data[at:at] = chance.choice((b"\xff", b"\xed\xa0\x80", b"\x00", b"\xef\xbb\xbf", b'"'))
    return bytes(data)


def json_mutated(chance: random.Random, payload: bytes) -> bytes:
    """One to three places of a JSON document replaced by what should not stand there."""
    try:
        document = json.loads(payload)
    except ValueError:
        return bytes_mutated(chance, payload)
    marks: dict[str, str] = {}
    for _ in range(chance.randint(1, 3)):
        document = _replaced(chance, document, marks, depth=0)
    text = json.dumps(document, ensure_ascii=chance.random() < 0.5)
    for mark, raw in marks.items():
        text = text.replace(f'"{mark}"', raw)
    return text.encode("utf-8", "surrogatepass")


def _replaced(chance: random.Random, node: object, marks: dict[str, str], *, depth: int) -> object:
    """The document with one node changed; raw JSON text is put in afterwards, by its mark."""
    if isinstance(node, dict) and node and (depth == 0 or chance.random() < 0.7):
        return _changed_object(chance, node, marks, depth)
    if isinstance(node, list) and node and chance.random() < 0.8:
        return _changed_list(chance, node, marks, depth)
    return _marked(marks, _raw(chance))


def _changed_object(
    chance: random.Random, node: dict[str, object], marks: dict[str, str], depth: int
) -> object:
    key, way = chance.choice(list(node)), chance.random()
    if way < 0.1:
        return {name: value for name, value in node.items() if name != key}
    if way < 0.2:
        return {**node, chance.choice(TEXTS + NUMBERS): node[key]}
    if way < 0.3:
        twice = f"{json.dumps(key)}: {_raw(chance)}, {json.dumps(key)}: {_raw(chance)}"
        return _marked(marks, f"{{{twice}}}")
    return {**node, key: _replaced(chance, node[key], marks, depth=depth + 1)}


def _changed_list(
    chance: random.Random, node: list[object], marks: dict[str, str], depth: int
) -> object:
    at, way = chance.randrange(len(node)), chance.random()
    if way < 0.1:
        return node[:at] + node[at + 1 :]
    if way < 0.2:
        return node[: at + 1] + node[at:]
    if way < 0.3:
        return chance.sample(node, len(node))
    item = _replaced(chance, node[at], marks, depth=depth + 1)
    return [*node[:at], item, *node[at + 1 :]]


def _marked(marks: dict[str, str], raw: str) -> str:
    mark = f"mark-{len(marks)}-"
    marks[mark] = raw
    return mark


def _raw(chance: random.Random) -> str:
    """JSON text, or what only looks like it, to stand where a value is expected."""
    way = chance.random()
    if way < 0.4:
        return chance.choice(NUMBERS)
    if way < 0.5:
        return repr(chance.uniform(-200.0, 200.0))
    if way < 0.6:
        return repr(chance.uniform(0.0, 4e9) * chance.choice((1.0, 1000.0, 1e6)))
    if way < 0.7:
        return json.dumps(chance.choice(TIMES))
    if way < 0.8:
        return json.dumps(chance.choice(TEXTS + NUMBERS))
    if way < 0.85:
        return '"\\ud800"'
    return chance.choice(("null", "true", "false", "[]", "{}", "[[]]", '{"value": {}}', "[1, 2]"))


def _monstrous(chance: random.Random, payload: bytes) -> bytes:
    """Large ones: nested without end, or a length at the limit."""
    size = LIMIT + chance.randint(-2, 2)
    return chance.choice(
        (
            b"[" * DEEP,
            b'{"value":' * 30_000 + b"1" + b"}" * 30_000,
            b'{"value": ' + b"[" * 900 + b"]" * 900 + b"}",
            b" " * (size - 4) + b"18.5",
            b"1" * size,
            b"1" * (size - 1) + b"x",
            b'{"value": "' + b"1" * (size - 20) + b'x"}',
            payload + b" " * (size - len(payload)),
            payload * (4 * LIMIT // max(1, len(payload)) + 1),
            b'{"value": 1' + b"0" * (size - 12) + b"}",
        )
    )
