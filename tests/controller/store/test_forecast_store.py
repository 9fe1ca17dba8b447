"""Forecasts in the store: what was written is read back, what is old goes, old stores learn it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller.records.forecast import Forecast, ForecastPoint
from controller.store import Reader, StoreFailed, Writer, migrations, open_reader, open_writer
from controller.store.forecast_thinning import APART_S, DROPPED_AT_ONCE, KEPT_S, THINNED_S

HEARD_S = 1_764_000_000.25
HOUR_S = 3600.0
EARLIER_STEPS = 4
"""Steps of the schema before the one that made room for forecasts."""

FORECAST = Forecast(
    HEARD_S,
    (
        ForecastPoint(HEARD_S, outdoor_c=-1.25, irradiance_w_m2=0.0, price_per_kwh=0.31),
        ForecastPoint(HEARD_S + HOUR_S, outdoor_c=-0.1, irradiance_w_m2=55.5),
        ForecastPoint(HEARD_S + 2 * HOUR_S, outdoor_c=None, irradiance_w_m2=80.0),
    ),
)


def other(received_s: float, outdoor_c: float) -> Forecast:
    return Forecast(received_s, (ForecastPoint(received_s + HOUR_S, outdoor_c=outdoor_c),))


def test_a_forecast_is_read_back_as_it_was_written(writer: Writer, reader: Reader) -> None:
    """Every number and every gap in it; the time of receipt to the millisecond."""
    assert writer.add_forecast(FORECAST)
    assert reader.forecasts(HEARD_S, HEARD_S + 1.0) == [FORECAST]


def test_forecasts_come_by_time_of_receipt(writer: Writer, reader: Reader) -> None:
    """From the first moment on, up to but without the last."""
    told = [other(HEARD_S + k * HOUR_S, float(k)) for k in (0, 2, 1, 3)]
    for forecast in told:
        writer.add_forecast(forecast)
    assert reader.forecasts(HEARD_S, HEARD_S + 3 * HOUR_S) == [told[0], told[2], told[1]]
    assert reader.forecasts(HEARD_S + 4 * HOUR_S, HEARD_S + 9 * HOUR_S) == []


def test_the_same_forecast_again_is_no_news(writer: Writer, reader: Reader) -> None:
    """What a broker hands out again is kept once, as first received; a change is kept."""
    assert writer.add_forecast(FORECAST)
    assert not writer.add_forecast(replace(FORECAST, received_s=HEARD_S + 60.0))
    changed = replace(FORECAST, received_s=HEARD_S + 120.0, points=FORECAST.points[1:])
    assert writer.add_forecast(changed)
    again = replace(FORECAST, received_s=HEARD_S + 180.0)
    assert writer.add_forecast(again)
    assert reader.forecasts(0.0, HEARD_S + 999.0) == [FORECAST, changed, again]


def test_old_forecasts_go_when_one_is_written(writer: Writer, reader: Reader) -> None:
    """Those received more than ninety days before the new one."""
    kept = other(HEARD_S + APART_S, 2.0)
    late = other(HEARD_S + 5.0 + KEPT_S, 3.0)
    for forecast in (FORECAST, kept, late):
        writer.add_forecast(forecast)
    assert reader.forecasts(0.0, 1e11) == [kept, late]


def test_a_clock_that_was_ahead_costs_few_forecasts(writer: Writer, reader: Reader) -> None:
    """One received in a far future does not drop a winter of them."""
    before = [other(HEARD_S + k * APART_S, float(k)) for k in range(10)]
    for forecast in (*before, other(HEARD_S + 1e8, 99.0)):
        writer.add_forecast(forecast)
    assert reader.forecasts(0.0, HEARD_S + 1e7) == before[DROPPED_AT_ONCE:]


def test_a_stream_of_forecasts_is_thinned_after_a_day(writer: Writer, reader: Reader) -> None:
    """All of the last day are kept, of those before it the first in each three hours."""
    start_s = 0.0  # so that three hours begin here
    for number in range(3 * 144 + 1):
        writer.add_forecast(other(start_s + 600.0 * number, float(number)))
    kept_s = [forecast.received_s for forecast in reader.forecasts(0.0, 1e11)]
    day_ago_s = 3 * 86400.0 - THINNED_S
    before = [at_s for at_s in kept_s if at_s < day_ago_s]
    assert before == [start_s + APART_S * k for k in range(2 * 8)]
    assert len(kept_s) - len(before) == 145


def test_a_week_by_the_hour_is_small(writer: Writer, folder: Path) -> None:
    """A winter of hourly forecasts must fit on a small machine: at most 5 kB each."""
    points = tuple(
        ForecastPoint(HEARD_S + k * HOUR_S, outdoor_c=0.1 * k, irradiance_w_m2=1.0 * k)
        for k in range(168)
    )
    writer.add_forecast(Forecast(HEARD_S, points))
    with closing(sqlite3.connect(folder / "slabtide.db")) as raw:
        (size,) = raw.execute("SELECT length(points) FROM forecast").fetchone()
    assert size <= 5000


def test_a_store_from_before_forecasts_learns_to_keep_them(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An older store is unreadable for this version until the writer has carried it over."""
    with monkeypatch.context() as earlier:
        earlier.setattr(migrations, "MIGRATIONS", migrations.MIGRATIONS[:EARLIER_STEPS])
        with closing(open_writer(folder)) as old, pytest.raises(StoreFailed):
            old.add_forecast(FORECAST)
    with pytest.raises(StoreFailed, match="older"):
        open_reader(folder)
    with closing(open_writer(folder)) as writer:
        assert writer.add_forecast(FORECAST)
    with closing(open_reader(folder)) as reader:
        assert reader.forecasts(0.0, 1e11) == [FORECAST]
