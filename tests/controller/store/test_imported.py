"""Imported logs in the store: all or nothing, and in place of what they replace."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from controller.records.readings import Quality, Reading
from controller.store import Reader, Writer

MakeReading = Callable[..., Reading]


def test_a_log_is_stored_like_readings(
    writer: Writer, reader: Reader, reading: MakeReading
) -> None:
    """What was added is there to be read."""
    log = (reading(300.0 * k, float(k), sensor="air@bay") for k in range(5))
    writer.add_imported(log, in_place_of={})
    found = reader.samples("air@bay", 0.0, 1e4)
    assert found == [(300.0 * k, float(k)) for k in range(5)]


def test_what_it_takes_the_place_of_is_gone(
    writer: Writer, reader: Reader, reading: MakeReading
) -> None:
    """Both ends of the span included; outside it and of other sensors nothing changes."""
    for sensor in ("air@bay", "bay-air"):
        writer.add_readings([reading(300.0 * k, 1.0, sensor=sensor) for k in range(5)])
    writer.add_imported(
        [reading(450.0, 2.0, sensor="air@bay")], in_place_of={"air@bay": (300, 900)}
    )
    assert reader.samples("air@bay", 0.0, 1e4) == [(0.0, 1.0), (450.0, 2.0), (1200.0, 1.0)]
    assert len(reader.samples("bay-air", 0.0, 1e4)) == 5


def test_a_log_that_breaks_off_leaves_everything_as_it_was(
    writer: Writer, reader: Reader, reading: MakeReading
) -> None:
    """Neither its first samples are stored nor those that it was to replace removed."""
    writer.add_readings([reading(0.0, 1.0, sensor="air@bay")])

    def broken() -> Iterator[Reading]:
        yield reading(0.0, 2.0, sensor="air@bay")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        writer.add_imported(broken(), in_place_of={"air@bay": (0.0, 600.0)})
    assert reader.samples("air@bay", 0.0, 1e4) == [(0.0, 1.0)]


def test_the_span_of_a_sensors_good_readings(
    writer: Writer, reader: Reader, reading: MakeReading
) -> None:
    """First and last within the time asked about; implausible ones do not count."""
    writer.add_readings([reading(100.0 * k) for k in range(1, 6)])
    writer.add_readings([reading(900.0, quality=Quality.IMPLAUSIBLE)])
    assert reader.span_s("bay-air", 0.0, 1e4) == (100.0, 500.0)
    assert reader.span_s("bay-air", 150.0, 500.0) == (200.0, 400.0)
    assert reader.span_s("bay-air", 600.0, 1e4) is None
    assert reader.span_s("nobody", 0.0, 1e4) is None
