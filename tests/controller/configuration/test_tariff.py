"""The tariff section of a site file: what it becomes, and where its faults are named."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.configuration import load_all
from controller.records.site import Tariff, TariffBand
from tests.controller.configuration.conftest import SITE, marks

TARIFF = """\
tariff:
  unit: EUR/kWh
  price: 0.34
  surplus_price: 0.08
  bands:
    night: {price: 0.24, start: 22:00, end: 6:00}
    weekend: {price: 0.28, weekdays: [saturday, sunday]}
"""


def write(folder: Path, section: str) -> list[tuple[str, int, int]]:
    text = SITE + section
    (folder / "site.yaml").write_text(text.replace("‸", ""), encoding="utf-8")
    return marks("site", text)


def test_a_tariff_is_read_with_its_bands(folder: Path) -> None:
    """Bands keep the file's order; without times they hold all day, without weekdays every day."""
    write(folder, TARIFF)
    assert load_all(folder / "site.yaml").site.tariff == Tariff(
        currency="EUR",
        price_per_kwh=0.34,
        surplus_price_per_kwh=0.08,
        bands=(
            TariffBand(0.24, (0, 1, 2, 3, 4, 5, 6), 22 * 60, 6 * 60),
            TariffBand(0.28, (5, 6), 0, 0),
        ),
    )


def test_prices_by_the_megawatt_hour_become_prices_by_the_kilowatt_hour(folder: Path) -> None:
    """All prices of the section are in its unit."""
    write(folder, "tariff: {unit: DKK/MWh, price: 1500, surplus_price: 500}\n")
    assert load_all(folder / "site.yaml").site.tariff == Tariff("DKK", 1.5, 0.5)


def test_without_the_section_there_is_no_tariff(folder: Path) -> None:
    """A site file needs neither tariff nor forecast."""
    site = load_all(folder / "site.yaml").site
    assert (site.tariff, site.forecast) == (None, None)


FAULTS = [
    ("unit: EUR/kWh", "unit: ‸EUR", "a currency and /kWh or /MWh"),
    ("unit: EUR/kWh", "unit: ‸/kWh", "no unit of the role price"),
    ("  price: 0.34\n", "", "tariff.price is missing"),
    ("0.34", "‸0,34", "a comma where a point belongs"),
    ("0.34", "‸.nan", "not a finite number"),
    ("0.34", "‸-0.1", "a number from 0 to 100000"),
    ("surplus_price: 0.08", "‸surplus_pric: 0.08", "the nearest known key is surplus_price"),
    ("{price: 0.24, start", "{‸prise: 0.24, start", "nearest known key is price"),
    ("22:00", "‸24:00", "no time of day"),
    ("[saturday, sunday]", "[saturday, ‸sonday]", "nearest: sunday"),
    ("[saturday, sunday]", "‸[]", "is an empty list"),
    ("    night:", "    ‸Night:", "no id"),
]


@pytest.mark.parametrize(("old", "new", "words"), FAULTS)
def test_a_fault_is_named_at_its_place(
    folder: Path, load_broken: Any, old: str, new: str, words: str
) -> None:
    """One fault gives one problem, where it is marked, with what would be right."""
    assert TARIFF.count(old) == 1
    marked = write(folder, TARIFF.replace(old, new))
    problems = load_broken()
    assert len(problems) == 1, [str(problem) for problem in problems]
    assert words in str(problems[0])
    assert not marked or marked == [("site.yaml", problems[0].line, problems[0].column)]
