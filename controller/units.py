"""The units a sensor may report in, and the way from them to house units.

House units are °C, W, kWh, bar, W/m2, m/s, a price for one kWh in the owner's own currency, and
1 or 0 for a relay that is on or off. Nothing beyond this module knows any other unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from controller.records.site import TEMPERATURES, Role

ON_OFF = "on/off"
PULSES = "pulses"
PRICE_SUFFIXES = ("/kWh", "/MWh")
"""A price is any currency's text followed by one of these: ``EUR/kWh``, ``ct/kWh``."""

_POWER = ("W", "kW")

UNITS: Mapping[Role, tuple[str, ...]] = MappingProxyType(
    dict.fromkeys(TEMPERATURES, ("°C", "°F"))
    | {
        Role.PRESSURE: ("bar", "kPa", "psi"),
        Role.POWER: _POWER,
        Role.SOLAR_SURPLUS: _POWER,
        Role.ENERGY: ("kWh", PULSES),
        Role.IRRADIANCE: ("W/m2",),
        Role.WIND: ("m/s", "km/h", "mph", "kn"),
        Role.RELAY_STATE: (ON_OFF,),
    }
)
"""The units that fit each role; a price is not listed (see ``PRICE_SUFFIXES``)."""

_OTHER_SPELLINGS = {"C": "°C", "F": "°F", "W/m²": "W/m2"}

_PER_HOUSE_UNIT = {
    "kW": 1000.0,
    "kPa": 0.01,
    "km/h": 1000.0 / 3600.0,
    "mph": 1609.344 / 3600.0,
    "kn": 1852.0 / 3600.0,
    # pound-force over square inch: 0.45359237 kg x 9.80665 m/s2 / (0.0254 m)2, in bar
    "psi": 0.45359237 * 9.80665 / 0.0254**2 / 1e5,
}


def fitting_unit(role: Role, text: str) -> str | None:
    """Give the house spelling of a unit that fits a role, None where it does not fit.

    Parameters
    ----------
    role : Role
    text : str
        The unit as the owner wrote it, such as ``F`` or ``W/m²``.

    Returns
    -------
    str or None
    """
    spelling = _OTHER_SPELLINGS.get(text, text)
    if role is Role.PRICE:
        return spelling if currency_of(spelling) else None
    return spelling if spelling in UNITS[role] else None


def currency_of(price_unit: str) -> str:
    """The currency in a price's unit, ``EUR`` of ``EUR/kWh``; empty where it is no such unit."""
    for suffix in PRICE_SUFFIXES:
        if price_unit.endswith(suffix):
            return price_unit.removesuffix(suffix).strip()
    return ""


def units_in_words(role: Role) -> str:
    """List the units that fit a role, for a message to the owner."""
    if role is Role.PRICE:
        return f"a currency and {' or '.join(PRICE_SUFFIXES)}, such as EUR{PRICE_SUFFIXES[0]}"
    return " or ".join(UNITS[role])


def to_house(value: float, unit: str, *, pulses_per_kwh: float | None = None) -> float:
    """Turn a sensor's number into house units.

    Parameters
    ----------
    value : float
        What the sensor reported [unit].
    unit : str
        A unit as ``fitting_unit`` spells it.
    pulses_per_kwh : float, optional
        Needed where the unit is ``pulses`` [1/kWh].

    Returns
    -------
    float
        The same quantity [°C, W, kWh, bar, W/m2, m/s, 1/kWh or 0..1].

    Raises
    ------
    ValueError
        Where the unit is pulses and ``pulses_per_kwh`` is missing or not above 0.
    """
    if unit == "°F":
        return (value - 32.0) / 1.8
    if unit == PULSES:
        if pulses_per_kwh is None or pulses_per_kwh <= 0.0:
            raise ValueError("pulses become energy only with pulses_per_kwh above 0")
        return value / pulses_per_kwh
    if unit.endswith("/MWh"):
        return value / 1000.0
    return value * _PER_HOUSE_UNIT.get(unit, 1.0)
