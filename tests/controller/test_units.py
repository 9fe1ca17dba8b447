"""Sensor units against published conversion factors."""

import pytest

from controller.records.site import Role
from controller.units import UNITS, fitting_unit, to_house, units_in_words


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (32.0, "°F", 0.0),  # from memory: the scale's own definition
        (212.0, "°F", 100.0),  # from memory: the scale's own definition
        (-40.0, "°F", -40.0),  # from memory: where the scales meet
        (21.5, "°C", 21.5),
        (9.0, "kW", 9000.0),
        (150.0, "kPa", 1.5),
        (14.5037738, "psi", 1.0),  # from memory: NIST SP 811, 1 psi = 6.894757 kPa
        (3.2, "bar", 3.2),
        (4.5, "kWh", 4.5),
        (0.31, "EUR/kWh", 0.31),
        (85.0, "EUR/MWh", 0.085),
        (36.0, "km/h", 10.0),
        (1.0, "mph", 0.44704),  # from memory: NIST SP 811, exact
        (1.0, "kn", 1852.0 / 3600.0),  # from memory: NIST SP 811, one nautical mile an hour
        (1.0, "on/off", 1.0),
    ],
)
def test_every_unit_reaches_house_units(value: float, unit: str, expected: float) -> None:
    """A value in each unit turns into the published value in house units."""
    # 1e-8: the psi row carries nine digits; all others are exact up to rounding
    assert to_house(value, unit) == pytest.approx(expected, rel=1e-8, abs=1e-12)


def test_pulses_become_energy() -> None:
    """A meter of 800 pulses a kWh has counted 2.5 kWh after 2000 pulses."""
    assert to_house(2000.0, "pulses", pulses_per_kwh=800.0) == 2.5


@pytest.mark.parametrize("pulses_per_kwh", [None, 0.0, -1.0])
def test_pulses_without_a_constant_are_refused(pulses_per_kwh: float | None) -> None:
    """Pulses are worth nothing without a meter constant above 0."""
    with pytest.raises(ValueError, match="pulses_per_kwh"):
        to_house(1.0, "pulses", pulses_per_kwh=pulses_per_kwh)


@pytest.mark.parametrize(
    ("role", "text", "expected"),
    [
        (Role.AIR, "C", "°C"),
        (Role.SLAB, "°F", "°F"),
        (Role.IRRADIANCE, "W/m²", "W/m2"),
        (Role.PRICE, "ct/kWh", "ct/kWh"),
        (Role.PRICE, "EUR/MWh", "EUR/MWh"),
        (Role.PRICE, "/kWh", None),
        (Role.PRICE, " /MWh", None),
        (Role.PRICE, "EUR", None),
        (Role.AIR, "bar", None),
        (Role.AIR, "K", None),
        (Role.POWER, "kWh", None),
        (Role.RELAY_STATE, "on/off", "on/off"),
    ],
)
def test_a_unit_fits_its_role_or_does_not(role: Role, text: str, expected: str | None) -> None:
    """Each role takes its own units, in the spellings an owner would use."""
    assert fitting_unit(role, text) == expected


@pytest.mark.parametrize("role", list(Role))
def test_every_role_says_its_units(role: Role) -> None:
    """No role is without units, and the words name each of them."""
    words = units_in_words(role)
    assert words
    assert all(unit in words for unit in UNITS.get(role, ()))
