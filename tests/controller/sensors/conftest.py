"""A sensor to alter, and a moment."""

from __future__ import annotations

import pytest

from controller.records.instant import Instant
from controller.records.site import Role, Sensor


@pytest.fixture
def air() -> Sensor:
    return Sensor("air-1", Role.AIR, "shed", "shed/air", "°C")


@pytest.fixture
def at() -> Instant:
    """2023-11-14 22:13:20 UTC."""
    return Instant(utc_s=1_700_000_000.0, mono_s=1000.0)
