"""Labels beside the points of a picture, where they cover nothing else."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

_LETTER_PX = 6.1
"""Mean width of a letter of 12 px type [px]."""
_LINE_PX = 14.0
_BESIDE_PX = 9.0
_DOWN_PX = 4.0
"""From the middle of a line of type to its baseline [px]."""
_DOT_PX = 5.0
_PEN_PX, _APART_PX = 2.0, 4.0
_STEPS_PX = tuple(sign * 7.0 * n for n in range(12) for sign in (1, -1))
"""How far up or down of its point a label may stand, nearest first [px]."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle [px], y downwards."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box) -> bool:
        """Whether the two have area in common."""
        across = self.left < other.right and other.left < self.right
        return across and self.top < other.bottom and other.top < self.bottom

    def within(self, other: Box) -> bool:
        """Whether this one lies in the other."""
        across = self.left >= other.left and self.right <= other.right
        return across and self.top >= other.top and self.bottom <= other.bottom


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a label stands: x and baseline y [px], its text anchor, and the point it names [px]."""

    x: float
    y: float
    anchor: str
    point: tuple[float, float]

    @property
    def far(self) -> bool:
        """Whether it stands so far up or down that a line should lead to its point."""
        return abs(self.y - _DOWN_PX - self.point[1]) > _LINE_PX


class Labels:
    """Finds room for one label after another; the first ones have the choice.

    Parameters
    ----------
    room : Box
        Within which labels must stay.
    """

    def __init__(self, room: Box) -> None:
        self._room = room
        self._taken: list[Box] = []

    def keep_free(self, x: float, y: float) -> None:
        """Let no label cover a dot."""
        self._taken.append(Box(x - _DOT_PX, y - _DOT_PX, x + _DOT_PX, y + _DOT_PX))

    def keep_line_free(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Let no label cross a straight line."""
        count = max(1, math.ceil(math.dist(start, end) / _APART_PX))
        for n in range(count + 1):
            x, y = (a + (b - a) * n / count for a, b in zip(start, end, strict=True))
            self._taken.append(Box(x - _PEN_PX, y - _PEN_PX, x + _PEN_PX, y + _PEN_PX))

    def place(self, text: str, points: Sequence[tuple[float, float]]) -> Spot:
        """Where a label stands beside one of its points.

        Where there is no room it stands at the first point all the same.
        """
        wide = _LETTER_PX * len(text)
        choices = [
            (Spot(x + side, y + step + _DOWN_PX, anchor, (x, y)), y + step)
            for step in _STEPS_PX
            for x, y in points
            for side, anchor in ((_BESIDE_PX, "start"), (-_BESIDE_PX, "end"))
        ]
        for spot, middle in choices:
            left = spot.x if spot.anchor == "start" else spot.x - wide
            box = Box(left, middle - _LINE_PX / 2, left + wide, middle + _LINE_PX / 2)
            if box.within(self._room) and not any(box.meets(taken) for taken in self._taken):
                self._taken.append(box)
                return spot
        return choices[0][0]
