"""The forecast section of a site file: what it becomes, and where its faults are named."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.codec import from_plain, to_plain
from controller.configuration import load_all
from controller.records.site import ForecastFeed, ForecastValue, Role, Site
from tests.controller.configuration.conftest import SITE, marks

Replace = Callable[[str, str, str], list[tuple[str, int, int]]]

FORECAST = """\
forecast:
  topic: slipway/forecast
  entries_pointer: /hours
  time_pointer: /at
  outdoor: {value_pointer: /t, unit: F}
  price: {value_pointer: /p, unit: EUR/MWh}
"""


@pytest.fixture
def add(folder: Path) -> Callable[[str], list[tuple[str, int, int]]]:
    """Append a section to the site file; gives the places that it marks."""

    def adding(section: str) -> list[tuple[str, int, int]]:
        text = SITE + section
        (folder / "site.yaml").write_text(text.replace("‸", ""), encoding="utf-8")
        return marks("site", text)

    return adding


def test_entries_become_a_feed(add: Any, folder: Path) -> None:
    """Topic, pointers, and each quantity with its unit in the house's spelling."""
    add(FORECAST)
    site = load_all(folder / "site.yaml").site
    assert site.forecast == ForecastFeed(
        topic="slipway/forecast",
        time_pointer="/at",
        values=(
            ForecastValue(Role.OUTDOOR, "/t", "°F"),
            ForecastValue(Role.PRICE, "/p", "EUR/MWh"),
        ),
        entries_pointer="/hours",
    )
    assert "slipway/forecast" in site.topics
    assert {"slipway/slab", "slipway/report"} <= site.topics
    assert from_plain(Site, to_plain(site)) == site


@pytest.mark.parametrize(("written", "read"), [("''", ""), (None, None)])
def test_lists_need_no_entries_and_a_payload_may_be_the_list(
    add: Any, folder: Path, written: str | None, read: str | None
) -> None:
    """An empty pointer is the whole payload (RFC 6901, section 5), no pointer no entries."""
    line = "" if written is None else f"  entries_pointer: {written}\n"
    add(FORECAST.replace("  entries_pointer: /hours\n", line))
    forecast = load_all(folder / "site.yaml").site.forecast
    assert forecast is not None
    assert forecast.entries_pointer == read


FAULTS = [
    ("topic: slipway/forecast", "topic: ‸slipway/#", "a topic with a wildcard"),
    ("topic: slipway/forecast", "topic: ‸slipway/command", "is the command topic of the heater"),
    ("  topic: slipway/forecast\n", "", "forecast.topic is missing"),
    ("entries_pointer: /hours", "entries_pointer: ‸hours", "such as /hours, or '' for the whole"),
    ("entries_pointer: /hours", "‸entry_pointer: /hours", "nearest known key is entries_pointer"),
    ("  time_pointer: /at\n", "", "forecast.time_pointer is missing"),
    ("time_pointer: /at", "time_pointer: ‸at", "no JSON Pointer"),
    ("unit: F", "unit: ‸K", "no unit of the role outdoor; it must be °C or °F"),
    ("unit: EUR/MWh", "unit: ‸EUR", "a currency and /kWh or /MWh, such as EUR/kWh"),
    ("{value_pointer: /t, unit: F}", "‸/t", "forecast.outdoor is the single text '/t'"),
    ("{value_pointer: /t,", "{‸value_pointr: /t,", "the nearest known key is value_pointer"),
    ("/p, unit", "‸/t, unit", "outdoor is read at /t already"),
    ("outdoor:", "‸outdor:", "the nearest known key is outdoor"),
]


@pytest.mark.parametrize(("old", "new", "words"), FAULTS)
def test_a_fault_is_named_at_its_place(
    add: Any, load_broken: Any, old: str, new: str, words: str
) -> None:
    """One fault gives one problem, where it is marked, with what would be right."""
    assert FORECAST.count(old) == 1
    marked = add(FORECAST.replace(old, new))
    problems = load_broken()
    assert len(problems) == 1, [str(problem) for problem in problems]
    assert words in str(problems[0])
    assert not marked or marked == [("site.yaml", problems[0].line, problems[0].column)]


def test_a_forecast_of_nothing_is_refused(add: Any, load_broken: Any) -> None:
    """A time alone is no forecast."""
    add("forecast: {topic: slipway/forecast, time_pointer: /at}\n")
    [problem] = load_broken()
    assert problem.wrong == "the forecast holds no quantity"
    assert "outdoor, irradiance, wind, price, solar_surplus" in problem.right


def test_no_sensor_may_be_called_forecast(add: Any, load_broken: Any) -> None:
    """Refused payloads are counted by id, and the forecast's go under its own."""
    marked = add("  ‸forecast: {role: wind, topic: slipway/wind, unit: km/h}\n" + FORECAST)
    [problem] = load_broken()
    assert "is that of the forecast itself" in problem.wrong
    assert marked == [("site.yaml", problem.line, problem.column)]


def test_prices_in_two_currencies_are_refused(add: Any, load_broken: Any) -> None:
    """Cents from one source and euros from another would be compared as if they were one."""
    marked = add(
        "  power-price: {role: price, topic: slipway/price, unit: ct/kWh}\n"
        + FORECAST.replace("EUR/MWh", "‸EUR/MWh")
        + "tariff: {unit: ‸EUR/kWh, price: 0.3}\n"
    )
    problems = load_broken()
    assert [("site.yaml", p.line, p.column) for p in problems] == marked
    assert "this price is in EUR, another one in ct" in problems[0].wrong


def test_a_mistyped_section_is_told_its_name(add: Any, load_broken: Any) -> None:
    """The sections that may be left out are known keys all the same."""
    add(FORECAST.replace("forecast:", "forcast:"))
    [problem] = load_broken()
    assert problem.right == "the nearest known key is forecast"
