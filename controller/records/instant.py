"""One moment, on both clocks."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Instant:
    """One moment: seconds since 1970-01-01 UTC, and seconds on the machine's monotonic clock."""

    utc_s: float
    mono_s: float
