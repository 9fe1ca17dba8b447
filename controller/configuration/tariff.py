"""Reads the tariff section of the site file: what power costs, and when it costs something else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import time

from controller.configuration.fields import Fields
from controller.configuration.kinds import CLOCK, IDENT, WEEKDAY, WEEKDAYS, number, unit_of
from controller.records.site import Role, Tariff, TariffBand
from controller.units import currency_of, to_house

_PRICE = number(0, 100_000)
_MIDNIGHT = time(0, 0)
_EVERY_DAY = tuple(range(len(WEEKDAYS)))


@dataclass(frozen=True, slots=True)
class ReadTariff:
    """The tariff and where the file describes it."""

    tariff: Tariff
    fields: Fields


def read_tariff(site: Fields) -> ReadTariff | None:
    """Read the section ``tariff`` where the site file has one."""
    fields = site.table_or_none("tariff")
    if fields is None:
        return None
    with fields:
        unit = fields.read("unit", unit_of(Role.PRICE))

        def per_kwh(price: float) -> float:
            return to_house(price, unit)

        price = fields.read("price", _PRICE)
        surplus = fields.read_or("surplus_price", _PRICE, 0.0)
        entries = fields.entries("bands", required=False)
        for entry in entries:
            fields.value("bands", entry.key, IDENT)
    tariff = Tariff(
        currency=currency_of(unit),
        price_per_kwh=per_kwh(price),
        surplus_price_per_kwh=per_kwh(surplus),
        bands=tuple(_band(fields.below("bands", entry), per_kwh) for entry in entries),
    )
    return ReadTariff(tariff, fields)


def _band(fields: Fields, per_kwh: Callable[[float], float]) -> TariffBand:
    with fields:
        price = fields.read("price", _PRICE)
        start = fields.read_or("start", CLOCK, _MIDNIGHT)
        end = fields.read_or("end", CLOCK, _MIDNIGHT)
        named = fields.items("weekdays", WEEKDAY, required=False)
    return TariffBand(
        price_per_kwh=per_kwh(price),
        weekdays=tuple(WEEKDAYS.index(day) for day, _ in named) or _EVERY_DAY,
        start_min=_minutes(start),
        end_min=_minutes(end),
    )


def _minutes(clock: time | None) -> int:
    """Minutes after midnight; an unfit time is already noted."""
    return clock.hour * 60 + clock.minute if clock is not None else 0
