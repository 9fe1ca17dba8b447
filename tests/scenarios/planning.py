"""The real planner in the test's own process, one errand at a time, answering at the next tick."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TypeVar

from controller.codec import from_plain, to_plain
from controller.planner_process import Answer, Errand, PlannerFailure
from controller.planning.learn import learn
from controller.planning.planner import make_plan
from controller.records.errands import LearnAnswer, LearnErrand, PlanAnswer, PlanErrand
from controller.store import open_reader

T = TypeVar("T")


class PlannerInHouse:
    """What ``PlannerProcess`` is to the desk, without the process.

    Errand and answer go through JSON as they do on the way to the child and back.

    Parameters
    ----------
    folder : Path
        The store's folder.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._errand: Errand | None = None
        self._outcome: Answer | PlannerFailure | None = None
        self.answers = True
        """Whether it does its work; else every errand fails."""

    @property
    def errand(self) -> Errand | None:
        """The errand under way."""
        return self._errand

    def start(self, errand: Errand) -> None:
        """Do an errand at once; its outcome is there at the next ``poll``."""
        assert self._errand is None
        self._errand = errand
        if not self.answers:
            self._outcome = PlannerFailure("it was told to fail")
            return
        try:
            self._outcome = self._do(_through_json(type(errand), errand))
        except Exception as error:  # noqa: BLE001 - the child would die of it, alone
            self._outcome = PlannerFailure(f"{type(error).__name__}: {error}")

    def poll(self) -> Answer | PlannerFailure | None:
        """The outcome of the errand under way."""
        self._errand, outcome, self._outcome = None, self._outcome, None
        return outcome

    def wait(self) -> Answer | PlannerFailure | None:
        """The same: nothing takes time here."""
        return self.poll()

    def stop(self) -> None:
        """Forget what is under way."""
        self.poll()

    def _do(self, errand: Errand) -> Answer:
        reader = open_reader(self._folder)
        try:
            if isinstance(errand, LearnErrand):
                return _through_json(LearnAnswer, learn(errand, reader))
            assert isinstance(errand, PlanErrand)
            return _through_json(PlanAnswer, PlanAnswer(make_plan(errand, reader)))
        finally:
            reader.close()


def _through_json(kind: type[T], record: T) -> T:
    return from_plain(kind, json.loads(json.dumps(to_plain(record), allow_nan=False)))
