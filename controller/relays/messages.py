"""What is said to a relay board, and what it says of itself, as bytes."""

from __future__ import annotations

import json
from dataclasses import dataclass

from controller.records.decision import Command
from controller.records.instant import Instant

_REPORT_LIMIT_BYTES = 1024
_LONGEST_UPTIME_S = 1e10


@dataclass(frozen=True, slots=True)
class Report:
    """What a relay board last said of itself.

    ``uptime_s`` is the board's own monotonic time, ``sequence`` that of the last command it took.
    """

    heat: bool
    uptime_s: float
    sequence: int
    received: Instant


def command_payload(
    command: Command, *, answers_s: float | None = None, word: str = "heat"
) -> bytes:
    """Write a command as the relay reads it.

    Parameters
    ----------
    command : Command
    answers_s : float, optional
        Uptime in the relay's latest report [s]; only an ON answers a report.
    word : str
        The key that says on or off.

    Returns
    -------
    bytes
        A JSON object.
    """
    fields: dict[str, object] = {
        word: command.heat,
        "seq": command.sequence,
        "issued": command.issued_s,
    }
    if command.heat:
        fields["lease_s"] = command.lease_s
        if answers_s is not None:
            fields["answers_s"] = answers_s
    return encoded(fields)


def parse_report(payload: bytes, received: Instant, *, word: str = "heat") -> Report | None:
    """Read a relay's report; None where it is none. ``word`` is the key that says on or off."""
    if len(payload) > _REPORT_LIMIT_BYTES:
        return None
    try:
        fields = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(fields, dict):
        return None
    heat, sequence, uptime_s = fields.get(word), fields.get("seq"), fields.get("uptime_s")
    if not isinstance(heat, bool) or not isinstance(sequence, int) or isinstance(sequence, bool):
        return None
    if isinstance(uptime_s, bool) or not isinstance(uptime_s, int | float):
        return None
    # a year is 3e7 s; also keeps out nan, infinity and whole numbers beyond float
    if not 0.0 <= uptime_s <= _LONGEST_UPTIME_S:
        return None
    return Report(heat, float(uptime_s), sequence, received)


def encoded(fields: dict[str, object]) -> bytes:
    """Compact JSON without anything that JSON does not know."""
    return json.dumps(fields, separators=(",", ":"), allow_nan=False).encode()
