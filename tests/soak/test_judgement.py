"""When a soak has failed, on made-up samples: the criterion fails, but not without cause."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from tests.soak.samples import MEMORY_ALLOWED_MIB, Sample, judge, look_at

DAYS = 100


def steady(days: int = DAYS) -> list[Sample]:
    """Caches fill in the first days; then memory goes up and down by a quarter of a MiB."""
    own = [28.0 - 4.0 * 0.5**day + 0.25 * (day % 3) for day in range(days)]
    return [Sample(float(day), own[day] + 12.0, own[day], 14, 5, day * 6.0) for day in range(days)]


def test_a_service_that_keeps_what_it_has_passes() -> None:
    """Warm-up, noise and growing records are no leak."""
    assert judge(steady()).faults == ()


def test_one_high_sample_is_no_leak() -> None:
    """The slope is a median: a moment in which much was needed does not move it."""
    samples = steady()
    samples[-5] = replace(samples[-5], own_mib=60.0)
    assert judge(samples).faults == ()


def test_growing_memory_fails() -> None:
    """A little more than is allowed, spread over all days after the first quarter."""
    a_day = (MEMORY_ALLOWED_MIB + 0.5) / (0.75 * DAYS)
    samples = [replace(s, own_mib=s.own_mib + a_day * s.day) for s in steady()]
    (fault,) = judge(samples).faults
    assert fault.startswith("memory grew by 3.0 MiB")


@pytest.mark.parametrize("name", ["handles", "threads"])
def test_a_single_handle_or_thread_more_fails(name: str) -> None:
    """Of these there is none that may be lost."""
    samples = steady()
    samples[70:] = [replace(s, **{name: getattr(s, name) + 1}) for s in samples[70:]]
    (fault,) = judge(samples).faults
    assert fault.startswith(f"{name} grew from")


def test_too_few_samples_are_not_judged() -> None:
    """A run broken off at once says nothing."""
    with pytest.raises(ValueError, match="too few"):
        judge(steady(5))


def test_a_look_at_this_process(tmp_path: Path) -> None:
    """What is read from the system changes with what the process holds."""
    (tmp_path / "slabtide.db").write_bytes(b"x" * 1024 * 1024)
    before = look_at(os.getpid(), tmp_path, day=0.0)
    held = b"x" * (32 * 1024 * 1024)
    handles = [os.open(os.devnull, os.O_RDONLY) for _ in range(3)]
    after = look_at(os.getpid(), tmp_path, day=0.0)
    for handle in handles:
        os.close(handle)
    assert len(held) // 1024**2 == 32
    assert after.own_mib - before.own_mib > 30.0
    assert after.handles - before.handles == 3
    assert before.store_mib == 1.0
    assert before.resident_mib >= before.own_mib > 5.0
