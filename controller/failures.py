"""What stands in where a part of a tick fails unexpectedly, so that the rest of it can go on."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from typing import TypeVar

from controller import __version__
from controller.alarms import unexpected
from controller.records.decision import Command, Decision, Notice, Wish
from controller.records.instant import Instant
from controller.records.plan import BlockReason, Rung
from controller.records.readings import Condition, Sensed
from controller.records.safety import Clears, Severity, Verdict
from controller.records.site import Sensor

log = logging.getLogger(__name__)

T = TypeVar("T")


class Failures:
    """The unexpected errors of one heater's tick; with one of them only frost protection heats."""

    def __init__(self) -> None:
        self.notices: tuple[Notice, ...] = ()

    def among(self, work: Callable[[], tuple[T, ...]], otherwise: tuple[T, ...]) -> tuple[T, ...]:
        """The result of some work, or what stands in for it where it fails."""
        try:
            return work()
        except Exception as error:
            log.exception("unexpected error in a tick")
            self.notices += (unexpected(error),)
            return otherwise


def unheard(sensors: Iterable[Sensor]) -> tuple[Sensed, ...]:
    """Every sensor as one that nothing is known of."""
    return tuple(Sensed(s.id, s.role, s.subject, Condition.MISSING) for s in sensors)


def unweighed_off(
    now: Instant, command: Command, zones: tuple[str, ...], notice: Notice
) -> Decision:
    """An OFF that was not weighed: no reading, wish or rule had a part in it."""
    verdict = Verdict("service", Severity.OFF, notice.kind.value, Clears.WHEN_CLEAR)
    return Decision(
        at=now,
        heater=command.heater,
        zones=zones,
        version=__version__,
        sensed=(),
        estimates=(),
        wish=Wish(False, Rung.FROST_ONLY, BlockReason.IDLE),
        verdicts=(verdict,),
        deciding=verdict,
        command=command,
        notices=(notice,),
    )
