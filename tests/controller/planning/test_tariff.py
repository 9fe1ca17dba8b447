"""Prices and surplus ahead: which source holds for which slot, and what the clock change does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from controller.planning.history import Grid
from controller.planning.tariff import Prices, prices_ahead, tariff_prices
from controller.records.forecast import Forecast, ForecastPoint
from controller.records.site import Broker, Role, Sensor, Site, Tariff, TariffBand
from controller.rehearsal.memory import Memory

HOUR_S = 3600.0
BERLIN = ZoneInfo("Europe/Berlin")
NOW_S = datetime(2026, 1, 14, 12, 5, tzinfo=BERLIN).timestamp()  # a Wednesday
GRID = Grid(NOW_S - 300.0, 900.0, 96)
EVERY_DAY = tuple(range(7))
NIGHT = TariffBand(0.2, EVERY_DAY, 22 * 60, 6 * 60)
TARIFF = Tariff("EUR", 0.3, 0.08, (NIGHT,))
SENSORS = (
    Sensor("cost", Role.PRICE, "outdoor", "t/cost", "EUR/kWh"),
    Sensor("roof", Role.SOLAR_SURPLUS, "outdoor", "t/roof", "W"),
)


@pytest.fixture
def site() -> Site:
    broker = Broker("localhost", 1883)
    return Site(
        "shed", "Europe/Berlin", 54.3, 10.1, "var", broker, (), (), (), SENSORS, tariff=TARIFF
    )


@pytest.fixture
def source() -> Memory:
    return Memory()


@pytest.fixture
def ahead(site: Site, source: Memory) -> Callable[..., Prices]:
    def at(tariff: Tariff | None = TARIFF) -> Prices:
        return prices_ahead(source, replace(site, tariff=tariff), grid=GRID, now_s=NOW_S)

    return at


def hourly(*prices: float | None, from_s: float, received_s: float = NOW_S) -> Forecast:
    """A forecast with a price an hour."""
    points = (ForecastPoint(from_s + k * HOUR_S, price_per_kwh=p) for k, p in enumerate(prices))
    return Forecast(received_s, tuple(points))


def by_hour(prices: Prices) -> list[float]:
    """The price of each of the grid's 24 h, which begin on the hour; it must not change within."""
    quarters = prices.price_per_kwh.reshape(24, 4)
    assert (quarters == quarters[:, :1]).all()
    found: list[float] = quarters[:, 0].tolist()
    return found


def local(*clock: int) -> float:
    return datetime(*clock, tzinfo=BERLIN).timestamp()  # type: ignore[arg-type, misc]


def test_nothing_known_costs_the_same_at_all_times(ahead: Callable[..., Prices]) -> None:
    """Without tariff, sensor and forecast cost is energy, and there is no surplus."""
    prices = ahead(None)
    assert by_hour(prices) == [1.0] * 24
    assert prices.surplus_w.tolist() == [0.0] * 96
    assert prices.surplus_price_per_kwh == 0.0


def test_a_tariff_goes_by_the_wall_clock(ahead: Callable[..., Prices]) -> None:
    """Noon to noon: ten hours by day, eight of the night band, six by day."""
    prices = ahead()
    assert by_hour(prices) == [0.3] * 10 + [0.2] * 8 + [0.3] * 6
    assert prices.surplus_price_per_kwh == 0.08


def test_a_forecast_comes_before_the_tariff(ahead: Callable[..., Prices], source: Memory) -> None:
    """Where it tells a price that holds, also for its last hour; the tariff for all others."""
    source.add_forecast(hourly(0.5, 0.6, None, 0.7, from_s=GRID.start_s + HOUR_S))
    # an hour without a price is one in which the last one told goes on
    assert by_hour(ahead())[:7] == [0.3, 0.5, 0.6, 0.6, 0.7, 0.7, 0.3]


def test_the_newest_forecast_with_a_price_comes_first(
    ahead: Callable[..., Prices], source: Memory
) -> None:
    """An older one fills what it leaves open; one that is older than a day and some does not."""
    for received_s, prices in ((-40 * HOUR_S, [9.0] * 24), (-HOUR_S, [0.5] * 4), (0.0, [0.4] * 2)):
        received_s += NOW_S
        source.add_forecast(hourly(*prices, from_s=GRID.start_s, received_s=received_s))
    source.add_forecast(Forecast(NOW_S, (ForecastPoint(NOW_S, outdoor_c=1.0),)))
    assert by_hour(ahead())[:5] == [0.4, 0.4, 0.5, 0.5, 0.3]


def test_beyond_a_forecast_without_tariff_its_mean_holds(
    ahead: Callable[..., Prices], source: Memory
) -> None:
    """Hours that nobody tells must look neither cheap nor dear."""
    source.add_forecast(hourly(0.2, 0.4, from_s=GRID.start_s))
    assert by_hour(ahead(None)) == pytest.approx([0.2, 0.4] + [0.3] * 22)


def test_a_price_sensor_tells_the_present_hour_alone(
    ahead: Callable[..., Prices], source: Memory
) -> None:
    """Its latest reading, until the clock's next full hour; then the tariff."""
    source.add_sample("cost", at_s=NOW_S - 600.0, value=0.9)
    source.add_sample("cost", at_s=NOW_S, value=0.5)
    assert by_hour(ahead())[:2] == [0.5, 0.3]
    # without a tariff the day's mean stands for the hours to come
    assert by_hour(ahead(None))[:2] == [0.5, pytest.approx(0.7)]


def test_an_old_price_reading_is_no_price(ahead: Callable[..., Prices], source: Memory) -> None:
    """More than an hour after it was read it tells nothing of the present one."""
    source.add_sample("cost", at_s=NOW_S - 1.1 * HOUR_S, value=0.9)
    assert by_hour(ahead())[0] == 0.3


def test_a_forecast_price_comes_before_the_sensor(
    ahead: Callable[..., Prices], source: Memory
) -> None:
    """What was told for the hour holds in it."""
    source.add_sample("cost", at_s=NOW_S, value=0.9)
    source.add_forecast(hourly(0.5, from_s=GRID.start_s))
    assert by_hour(ahead())[:2] == [0.5, 0.3]


def test_surplus_is_forecast_or_sensed_in_this_hour_or_none(
    ahead: Callable[..., Prices], source: Memory
) -> None:
    """The mean of the last quarter of an hour until the full hour; never below nothing."""
    for minutes, surplus_w in ((30, 9000.0), (10, 1000.0), (2, 2000.0)):
        source.add_sample("roof", at_s=NOW_S - 60.0 * minutes, value=surplus_w)
    assert ahead().surplus_w[:5].tolist() == [1500.0] * 4 + [0.0]
    point = ForecastPoint(GRID.start_s + HOUR_S, surplus_w=800.0)
    night = ForecastPoint(GRID.start_s + 2 * HOUR_S, surplus_w=-300.0)
    source.add_forecast(Forecast(NOW_S, (point, night)))
    expected = [1500.0] * 4 + [800.0] * 4 + [0.0] * 88
    assert ahead().surplus_w.tolist() == expected


@pytest.mark.parametrize(
    ("evening", "hours"),
    [((2026, 1, 14), 8), ((2026, 3, 28), 7), ((2026, 10, 24), 9)],
    ids=["an ordinary night", "clocks go forward", "clocks go back"],
)
def test_a_night_is_as_long_as_the_clock_on_the_wall_makes_it(
    evening: tuple[int, int, int], hours: int
) -> None:
    """22:00 to 06:00 in Europe/Berlin is 7 h long on 2026-03-29 and 9 h on 2026-10-25 (EU rule)."""
    noon_s = local(*evening, 12, 0)
    times_s = Grid(noon_s, 900.0, 96).middles_s()
    prices = tariff_prices(TARIFF, "Europe/Berlin", times_s)
    assert np.count_nonzero(prices == 0.2) == 4 * hours


WEEKEND = TariffBand(0.1, (5, 6), 0, 0)
FRIDAY_NIGHT = TariffBand(0.15, (4,), 20 * 60, 2 * 60)


@pytest.mark.parametrize(
    ("clock", "price"),
    [
        ((2026, 1, 16, 19, 59), 0.3),  # Friday
        ((2026, 1, 16, 20, 0), 0.15),
        ((2026, 1, 17, 1, 59), 0.15),  # begun on Friday, and first in the list
        ((2026, 1, 17, 2, 0), 0.1),
        ((2026, 1, 18, 23, 59), 0.1),
        ((2026, 1, 19, 0, 0), 0.3),  # Monday
        ((2026, 1, 18, 1, 0), 0.1),  # Sunday: Saturday has no such night
    ],
)
def test_a_band_begins_on_its_weekdays_and_the_first_one_holds(
    clock: tuple[int, ...], price: float
) -> None:
    """A band over midnight belongs to the day on which it begins; equal times are a whole day."""
    tariff = Tariff("EUR", 0.3, bands=(FRIDAY_NIGHT, WEEKEND))
    assert tariff_prices(tariff, "Europe/Berlin", np.array([local(*clock)])).tolist() == [price]
