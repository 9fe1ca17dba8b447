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
    at, what is found may be as old as those left before the start.
    """

    def __init__(self) -> None:
        self._may_be_old = True

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
        taken = take_acknowledgements(store, known=known)
        may_be_old, self._may_be_old = self._may_be_old, not taken.listed
        given = {
            heater: Acknowledged(waits) if may_be_old else EVERYTHING
            for heater, waits in taken.given.items()
        }
        troubles = (Notice(NoticeKind.NOT_ACKNOWLEDGED, t, alarm=True) for t in taken.troubles)
        return given, (*(_notice(heater, given[heater]) for heater in sorted(given)), *troubles)


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
