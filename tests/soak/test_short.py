"""Some simulated hours of the soak: the real service, broker and child, and planted leaks."""

from __future__ import annotations

import pytest

from tests.soak.__main__ import soak
from tests.soak.samples import judge
from tests.soak.scene import Order
from tests.soak.served import LEAKS

pytestmark = pytest.mark.timeout(600)  # a first fit in a child, on a machine that may be busy

HOURS = Order(days=0.1, tick_s=10.0, replan_s=24 * 3600.0)


def test_some_hours_leak_nothing() -> None:
    """Samples are there for each few minutes, and the service has done its work."""
    samples = soak(HOURS)
    assert len(samples) >= 24
    assert samples[-1].store_mib > samples[0].store_mib
    assert judge(samples).faults == ()


def test_planted_leaks_are_found() -> None:
    """The same hours with a service that keeps memory, handles and threads."""
    samples = soak(Order(days=0.1, tick_s=10.0, replan_s=24 * 3600.0, leak=LEAKS))
    faults = judge(samples).faults
    assert [fault.split()[0] for fault in faults] == list(LEAKS), samples[-1]
