"""Optimum start by a learnt rate: lead time = what is missing over how fast earlier preheats went.

The simplest rule that learns; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

FIRST_RATE_K_H = 1.0
"""What an owner would assume of a room before the first preheat; common practice, no source."""

_LEAST_RATE_K_H = 0.05
_LEARNING_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class WarmingRate:
    """How fast a room warms.

    Parameters
    ----------
    k_h : float
        Mean rise of the room air in a preheat [K/h].
    """

    k_h: float = FIRST_RATE_K_H

    def lead_time_s(self, *, air_c: float, target_c: float) -> float:
        """Time for what is missing at this rate, 0 where nothing is [s]."""
        return max(0.0, target_c - air_c) / self.k_h * 3600.0

    def learnt(self, *, rise_k: float, seconds: float) -> WarmingRate:
        """The rate after a preheat that rose by so much in so long: half way to what it showed.

        Raises
        ------
        ValueError
            Where the preheat took no time.
        """
        if not seconds > 0.0:
            raise ValueError(f"a preheat takes time: {seconds} s")
        seen_k_h = max(_LEAST_RATE_K_H, rise_k / seconds * 3600.0)
        return WarmingRate(self.k_h + _LEARNING_SHARE * (seen_k_h - self.k_h))
