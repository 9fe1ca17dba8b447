"""What one run came to: all that the figures are made from, in a file of its own."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from controller.codec import from_plain, to_plain
from controller.rehearsal.score import Prediction

DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Held:
    """One session as it was held.

    Attributes
    ----------
    session : str
    start_s : float
        UTC seconds.
    target_c, start_c, highest_c : float
        Wanted; room air smoothed over 20 minutes at the start, and the highest in the session.
    shortfall_kh : float
        Below target - 0.5 K, the first half hour aside [K h].
    ahead, committed : Prediction or None
        Arrival as expected 12 h ahead, and when preheat was committed.
    """

    session: str
    start_s: float
    target_c: float
    start_c: float
    highest_c: float
    shortfall_kh: float
    ahead: Prediction | None = None
    committed: Prediction | None = None


@dataclass(frozen=True, slots=True)
class Served:
    """One run.

    Attributes
    ----------
    start_s : float
        Start of the season (UTC seconds).
    energy_kwh : tuple of float
        By the day.
    sessions : tuple of Held
        In the order of their starts.
    coldest_c : tuple of float or None
        Lowest smoothed room air of each hour; None where a session ran in it.
    reachable, missed : tuple of str
        Of foresight alone: sessions that 85 % of the heater make ready; what it does not keep to.
    remarks : tuple of str
        Trips and failed errands.
    took_s : float
        Time of this machine.
    """

    start_s: float
    energy_kwh: tuple[float, ...]
    sessions: tuple[Held, ...]
    coldest_c: tuple[float | None, ...]
    took_s: float
    reachable: tuple[str, ...] = ()
    missed: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    def energy_within_kwh(self, first_day: int, last_day: int | None) -> float:
        """Energy of some days, the last one not among them [kWh]."""
        return sum(self.energy_kwh[first_day:last_day])


def write(served: Served, path: Path) -> None:
    """Write a run's file, whole or not at all."""
    beside = path.with_suffix(".part")
    beside.write_text(json.dumps(to_plain(served), allow_nan=False))
    os.replace(beside, path)


def read(path: Path) -> Served | None:
    """A run's file, None where there is none.

    Raises
    ------
    ValueError
        Where it holds something else.
    """
    if not path.exists():
        return None
    try:
        return from_plain(Served, json.loads(path.read_text()))
    except ValueError as error:
        raise ValueError(f"{path}: not a result of this benchmark ({error}); remove it") from error
