"""What a rehearsed building is, and how one from outside the project is loaded and checked."""

from __future__ import annotations

import importlib.util
import math
import sys
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import Any, Protocol, cast, runtime_checkable

from controller.records.site import Role

BookedTime = tuple[datetime, datetime, float]
"""Start and end (aware, UTC) and target [°C] of one session."""


@runtime_checkable
class Building(Protocol):
    """A building that can be rehearsed in.

    The keys of ``sense()`` are roles: ``air``, ``floor surface``, ... in °C, W, kWh, bar, W/m2 and
    m/s. How a role is written (case, blanks, ``_``, ``-``) does not matter. Where a heater
    serves several zones, the roles of a zone carry its id: ``air@bench room``.
    """

    @property
    def now(self) -> datetime:
        """The building's own time, aware, UTC."""
        ...

    def sense(self) -> Mapping[str, float]:
        """What its sensors say now."""
        ...

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Let time pass with the relay in one position."""
        ...


@runtime_checkable
class Truthful(Protocol):
    """A building that also tells what no sensor does, for the score alone."""

    def truth(self) -> Mapping[str, float]:
        """Noise-free values by role, as in ``sense()``."""
        ...


@runtime_checkable
class Forecasting(Protocol):
    """A building that brings a weather forecast."""

    def forecast(self, hours: float) -> list[tuple[datetime, Mapping[str, float]]]:
        """Times from now on with roles outdoor [°C], irradiance [W/m2] and wind [m/s]."""
        ...


Factory = Callable[[datetime, list[BookedTime]], Building]


class BuildingError(Exception):
    """An outside building cannot be used; the message says what would be right."""


_ROLES = {role.value.replace("_", ""): role for role in Role}


def role_of(name: str) -> Role | None:
    """The role that a name means, None where it means none."""
    plain = "".join(char for char in name.casefold() if char not in " _-")
    return _ROLES.get(plain)


def normalised(values: Mapping[str, float]) -> dict[str, float]:
    """The same values under ``role`` or ``role@subject``, as the records write a role.

    Raises
    ------
    BuildingError
        Where a key means no role or a value is not a number.
    """
    return {_key(str(name)): _number(name, value) for name, value in values.items()}


@lru_cache(maxsize=1024)
def _key(name: str) -> str:
    role_name, at, subject = name.partition("@")
    role = role_of(role_name)
    if role is None:
        known = ", ".join(role.value for role in Role)
        raise BuildingError(f"sense() gives the unknown role {name!r}; roles are {known}")
    return f"{role.value}{at}{subject.strip()}"


def _number(name: str, value: object) -> float:
    if isinstance(value, bool | str) or value is None:
        raise BuildingError(f"sense() gives {value!r} for {name!r}; a number is expected")
    try:
        return float(value)  # type: ignore[arg-type]  # numpy scalars are numbers too
    except (TypeError, ValueError) as error:
        message = f"sense() gives {value!r} for {name!r}; a number is expected"
        raise BuildingError(message) from error


def value_for(values: Mapping[str, float], role: Role, subject: str) -> float | None:
    """One sensor's value out of normalised values: ``role@subject`` first, then the bare role."""
    found = values.get(f"{role.value}@{subject}")
    return values.get(role.value) if found is None else found


def load_factory(spec: str) -> Factory:
    """The factory that ``path/to/file.py:name`` means.

    Raises
    ------
    BuildingError
        Where there is no such file or name, or the file cannot be run.
    """
    path_text, colon, name = spec.rpartition(":")
    if not colon or not path_text or not name:
        raise BuildingError(f"{spec!r} is not of the form path/to/file.py:factory")
    path = Path(path_text)
    if not path.is_file():
        raise BuildingError(f"{path}: there is no such file")
    factory = getattr(_run_file(path), name, None)
    if factory is None:
        raise BuildingError(f"{path}: nothing in it is called {name!r}")
    if not callable(factory):
        raise BuildingError(f"{path}: {name!r} is a {type(factory).__name__}, not a factory")

    def checked(start: datetime, bookings: list[BookedTime]) -> Building:
        return checked_building(_call(factory, spec, start, bookings), spec=spec, start=start)

    return checked


def _run_file(path: Path) -> ModuleType:
    module_name = f"outside_building_{path.stem}"
    spec = importlib.util.spec_from_file_location(module_name, path)
    if spec is None or spec.loader is None:
        raise BuildingError(f"{path}: not a Python file; its name must end in .py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[module_name] = module  # dataclasses in the file look their module up here
    folder = str(path.resolve().parent)
    if folder not in sys.path:
        sys.path.append(folder)  # so that the file finds its neighbours
    try:
        spec.loader.exec_module(module)
    except Exception as error:
        raise BuildingError(f"{path}: running it failed: {_described(error)}") from error
    return module


def _call(
    factory: Callable[[datetime, list[BookedTime]], Any],
    spec: str,
    start: datetime,
    bookings: list[BookedTime],
) -> Any:
    try:
        return factory(start, bookings)
    except Exception as error:
        raise BuildingError(f"{spec}(start, bookings) failed: {_described(error)}") from error


def _described(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"


def checked_building(made: Any, *, spec: str, start: datetime) -> Building:
    """The thing a factory made, if it can be rehearsed in.

    Raises
    ------
    BuildingError
        Where a method is missing, its time is not the start, or its first readings are unusable.
    """
    for name in ("sense", "advance"):
        if not callable(getattr(made, name, None)):
            raise BuildingError(f"{spec}: the building it makes has no method {name}()")
    check_now(made, expected=start, spec=spec)
    for role, value in sensed_by(made, spec=spec).items():
        if not math.isfinite(value):
            raise BuildingError(f"{spec}: sense() starts with {value} for {role!r}")
    return cast(Building, made)


def check_now(made: Any, *, expected: datetime, spec: str) -> None:
    """Refuse a building whose clock is not where it should be.

    Raises
    ------
    BuildingError
        Where ``now`` is no aware datetime, or more than a second off.
    """
    now = getattr(made, "now", None)
    if not isinstance(now, datetime) or now.tzinfo is None:
        raise BuildingError(f"{spec}: its now is {now!r}; an aware datetime in UTC is expected")
    if abs(now - expected) > timedelta(seconds=1):
        right = expected.astimezone(UTC).isoformat()
        raise BuildingError(f"{spec}: its now is {now.isoformat()}; expected {right}")


def sensed_by(building: Any, *, spec: str) -> dict[str, float]:
    """What a building senses, normalised.

    Raises
    ------
    BuildingError
        Where sense() fails, gives no mapping, an unknown role or a thing that is no number.
    """
    try:
        values = building.sense()
    except Exception as error:
        raise BuildingError(f"{spec}: sense() failed: {_described(error)}") from error
    if not isinstance(values, Mapping):
        kind = type(values).__name__
        raise BuildingError(f"{spec}: sense() gives a {kind}; expected role to value")
    try:
        return normalised(values)
    except BuildingError as error:
        raise BuildingError(f"{spec}: {error}") from error


def advanced(building: Any, *, seconds: float, heater_on: bool, spec: str) -> None:
    """Let time pass in a building.

    Raises
    ------
    BuildingError
        Where advance() fails.
    """
    try:
        building.advance(seconds, heater_on)
    except Exception as error:
        raise BuildingError(f"{spec}: advance() failed: {_described(error)}") from error


def true_values(building: Building) -> dict[str, float]:
    """Noise-free values by role where the building tells them; other keys are left out.

    Raises
    ------
    BuildingError
        Where truth() fails or gives a thing that is no number.
    """
    if not isinstance(building, Truthful):
        return {}
    try:
        told = {str(name): float(value) for name, value in building.truth().items()}
    except Exception as error:
        raise BuildingError(f"truth() failed: {_described(error)}") from error
    known = {name: value for name, value in told.items() if role_of(name.partition("@")[0])}
    return {_key(name): value for name, value in known.items()}
