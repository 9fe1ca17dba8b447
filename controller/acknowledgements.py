"""What the owner has acknowledged; of a request left while no service ran, what waited then."""

from __future__ import annotations

from pathlib import Path

from controller.records.decision import Notice, NoticeKind
from controller.records.safety import EVERYTHING, Acknowledged
from controller.requests import take_acknowledgements


class Acknowledgements:
    """Takes the owner's requests, tick by tick of one process.

    What is found at the first tick was left while no service ran, and much may have come since: a
    heater renamed, a backup brought back, a sensor taken out. What is found later was left within
    the last tick, and lifts whatever stands. After ticks in which the requests could not be looked
    at, or were looked for in another folder than now (its disk had not been mounted), what is found
    may be as old as those left before the start.
    """

    def __init__(self) -> None:
        self._looked_into: tuple[int, int] | None = None

    def take(
        self, store: Path, *, known: frozenset[str]
    ) -> tuple[dict[str, Acknowledged], tuple[Notice, ...]]:
        """What is acknowledged by heater, and what is to be said of it.

        Parameters
        ----------
        store : Path
            The store's folder.
        known : frozenset of str
            The heaters that there are.
        """
        before = _identity(store)
        taken = take_acknowledgements(store, known=known)
        steady = before is not None and before == _identity(store)
        may_be_old = not steady or before != self._looked_into
        self._looked_into = before if steady and taken.listed else None
        given = {
            heater: Acknowledged(waits) if may_be_old else EVERYTHING
            for heater, waits in taken.given.items()
        }
        troubles = (Notice(NoticeKind.NOT_ACKNOWLEDGED, t, alarm=True) for t in taken.troubles)
        return given, (*(_notice(heater, given[heater]) for heater in sorted(given)), *troubles)


def _identity(folder: Path) -> tuple[int, int] | None:
    """What tells a folder from every other one; None where nobody can say."""
    try:
        found = folder.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _notice(heater: str, given: Acknowledged) -> Notice:
    if given.rules is None:
        text = f"Acknowledged for {heater}: lockouts, and sensors taken out."
    elif given.rules:
        waited = ", ".join(sorted(given.rules)).replace("_", " ")
        text = f"Acknowledged for {heater} while no service looked: {waited}, and nothing else."
    else:
        text = (
            f"An acknowledgement for {heater} was left when nothing waited for it: it lifts none."
        )
        return Notice(NoticeKind.NOT_ACKNOWLEDGED, text)
    return Notice(NoticeKind.ACKNOWLEDGED, text)
