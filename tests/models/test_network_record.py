"""Histories on the fit's steps: means, holes, runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.network_record import Run, Seen, record_of
from models.series import Series

COUNT = 288


def ramp(step_s: float = 300.0, count: int = COUNT) -> Series:
    """Air, slab and outdoors rising evenly, heat for the first half."""
    line = np.arange(count) * step_s / 3600.0
    heat = np.where(np.arange(count) < count // 2, 6000.0, 0.0)
    return Series(0.0, step_s, line + 5.0, line + 10.0, line, heat, np.full(count, np.nan))


def test_steps_hold_readings_at_their_beginning_and_means_over_them() -> None:
    """Half-hour steps: air at their beginning, outdoor air 0.25 K (a quarter hour) later.

    Not so at the two ends, where a running median and a mean have one side only.
    """
    record = record_of(ramp(), step_s=1800.0)
    assert len(record) == COUNT // 6
    assert record.air_c[5] == pytest.approx(5.0 + 2.5)
    later = record.inputs[1] - (record.air_c - 5.0)
    assert later[1:-1] == pytest.approx(0.25, abs=1e-9)
    assert record.inputs[0].sum() * 1800.0 == pytest.approx(6000.0 * COUNT / 2 * 300.0)
    assert not record.has_sun
    assert not record.inputs[2].any()


def test_the_last_step_ends_where_the_series_ends() -> None:
    """Samples that fill no step are left out at the beginning, never at the end."""
    record = record_of(ramp(count=COUNT + 4), step_s=1800.0)
    assert len(record) == COUNT // 6
    assert record.air_c[0] == pytest.approx(5.0 + 4 / 12, abs=0.05)


def test_an_hourly_log_keeps_its_step() -> None:
    """A history of longer steps than asked for is taken as it is."""
    record = record_of(ramp(3600.0, 48), step_s=1800.0)
    assert record.step_s == 3600.0
    assert len(record) == 48


def test_holes_are_told_apart() -> None:
    """Without air the heat still drives the room; without outdoor air a span ends."""
    series = ramp()
    air, slab, outdoor = series.air_c.copy(), series.slab_c.copy(), series.outdoor_c.copy()
    air[60:120] = slab[180:] = outdoor[240:252] = np.nan
    record = record_of(replace(series, air_c=air, slab_c=slab, outdoor_c=outdoor), step_s=1800.0)
    spans = record.spans()
    assert [run.seen for run in spans[0]] == [
        Seen.AIR_AND_SLAB, Seen.NOTHING, Seen.AIR_AND_SLAB, Seen.AIR, Seen.NOTHING,
    ]  # fmt: skip
    assert spans[-1] == [Run(42, 48, Seen.AIR)]
    starts = record.starts(warm=4, steps=6, every=1)
    assert starts.min() == 4
    span = record.span_of()
    assert (span[starts] == span[starts + 6]).all()
    assert np.isfinite(record.air_c[starts + 6]).all()
    assert not set(range(42, 46)) & set(starts.tolist())


@pytest.mark.parametrize("count", [0, 1, 5])
def test_too_little_is_an_empty_record(count: int) -> None:
    """Fewer samples than a step has make no step, and no error."""
    record = record_of(ramp(count=count), step_s=1800.0)
    assert len(record) == 0
    assert record.spans() == []
    assert len(record.starts(warm=1, steps=1, every=1)) == 0
