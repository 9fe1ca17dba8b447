"""Readings given up under load, as the owner is told of them."""

from __future__ import annotations

from dataclasses import dataclass

from controller.records.decision import Notice, NoticeKind
from controller.records.instant import Instant

RECENT_S = 3600.0
"""How long a loss stays in the notices [s]."""


@dataclass(frozen=True, slots=True)
class _Loss:
    count: int
    latest_mono_s: float


class Losses:
    """What each sensor has lost since losing began; forgotten after an hour without any."""

    def __init__(self) -> None:
        self._losses: dict[str, _Loss] = {}

    def add(self, sensor: str, count: int, now: Instant) -> None:
        """Note that readings of a sensor were lost."""
        before = self._losses.get(sensor)
        total = count + (before.count if before else 0)
        self._losses[sensor] = _Loss(total, now.mono_s)

    def notices(self, now: Instant) -> tuple[Notice, ...]:
        """The alarm that stands while readings are being lost."""
        self._losses = {
            sensor: loss
            for sensor, loss in self._losses.items()
            if now.mono_s - loss.latest_mono_s < RECENT_S
        }
        if not self._losses:
            return ()
        counts = "; ".join(
            f"{sensor}: {_told(self._losses[sensor])}" for sensor in sorted(self._losses)
        )
        text = (
            "More readings came within the last hour than can be taken in: "
            f"the oldest were lost ({counts})."
        )
        return (Notice(NoticeKind.READINGS_LOST, text, alarm=True),)


def _told(loss: _Loss) -> str:
    """A count to one digit, 1, 2 or 5: a notice that changes costs a row of the record."""
    power = 10 ** (len(str(loss.count)) - 1)
    digit = next(d for d in (5, 2, 1) if loss.count >= d * power)
    rounded = digit * power
    return f"{rounded}" if rounded == loss.count else f"more than {rounded}"
