"""What others leave for the guard: the planner child's answers, and files with requests."""

from __future__ import annotations

import io
import json
import os
import random
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

from controller.answers import fault_of_parameters, fault_of_plan
from controller.codec import to_plain
from controller.commands.plan import Question, describe
from controller.cycle import Carry, decide
from controller.local_time import LocalTime
from controller.planner_process import REASON_LENGTH, PlannerFailure, _read
from controller.planning_desk import _out_of_reach
from controller.records.decision import HeaterState
from controller.records.errands import LearnAnswer, LearnErrand, Learnt, PlanAnswer, PlanErrand
from controller.records.limits import Limits
from controller.records.plan import ParameterSet, Plan
from controller.requests import FOLDER, take_acknowledgements
from controller.sentences import Background, explain, headline
from controller.store import open_reader, open_writer
from tests.controller.builders import (
    START,
    air,
    make_parameters,
    make_plan,
    make_session,
    make_site,
    make_situation,
    outdoor,
    slab,
)
from tests.fuzz.mutate import json_mutated, mutated

HEATER = "boiler"


class _Given:
    """Stands for a child that has ended with this on its standard output."""

    def __init__(self, errand: object, output: bytes) -> None:
        self.errand = errand
        self.process = SimpleNamespace(returncode=0)
        self.output, self.errors = io.BytesIO(output), io.BytesIO(b"")


class PlanAnswers:
    """An answer is refused, or it can be stored, decided by and told in words."""

    name, share = "plans", 0.05

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        session = make_session()
        self._site = make_site()
        self._errand = PlanErrand(
            self._site, Limits(), HEATER, (session,), (), heating=False, now_s=START.utc_s
        )
        plan = make_plan(sessions=(session,))
        self._good = [json.dumps({"body": to_plain(PlanAnswer(plan))}).encode()]
        self._session = session

    def make(self, chance: random.Random) -> bytes:
        if chance.random() < 0.9:
            return json_mutated(chance, self._good[0])
        return mutated(chance, self._good)

    def check(self, case: bytes) -> None:
        answer = _read(_Given(self._errand, case))
        if isinstance(answer, PlannerFailure):
            assert len(answer.reason) <= REASON_LENGTH
            answer.reason.encode("utf-8")
            return
        assert isinstance(answer, PlanAnswer)
        if fault := fault_of_plan(answer.plan, heater=HEATER, now_s=START.utc_s):
            fault.encode("utf-8", "replace")
            return
        self._use(answer.plan)

    def _use(self, plan: Plan) -> None:
        local = LocalTime(self._site.time_zone)
        situation = make_situation(
            slab(), air(), outdoor(), plan=plan, sessions=(self._session,), now=START
        )
        decision, carry = decide(situation, Carry.at_start(HeaterState(), START))
        with closing(open_writer(self._folder)) as writer:
            writer.add_plan(plan)
            writer.add_decision(decision, carry.state)
        with closing(open_reader(self._folder)) as reader:
            assert reader.plan(plan.id) == plan
        background = Background(local, plan)
        headline(decision, background)
        for section in explain(decision, None, background):
            "".join(section.sentences).encode("utf-8")
        for told in (*describe(plan, local, Question(START.utc_s, 48)), *_notices(plan)):
            told.encode("utf-8")


def _notices(plan: Plan) -> list[str]:
    """What is told of sessions that cannot be reached."""
    local = LocalTime("Europe/Berlin")
    return [notice.text for notice in _out_of_reach(plan, plan.sessions, local)]


class LearntAnswers:
    """Learnt parameters are refused, or they can be stored and decided by."""

    name, share = "learnt", 0.05

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._errand = LearnErrand(make_site(), (), START.utc_s)
        learnt = Learnt(make_parameters(), replaces=True, reason="better")
        self._good = [json.dumps({"body": to_plain(LearnAnswer((learnt,)))}).encode()]

    def make(self, chance: random.Random) -> bytes:
        if chance.random() < 0.9:
            return json_mutated(chance, self._good[0])
        return mutated(chance, self._good)

    def check(self, case: bytes) -> None:
        answer = _read(_Given(self._errand, case))
        if isinstance(answer, PlannerFailure):
            answer.reason.encode("utf-8")
            return
        assert isinstance(answer, LearnAnswer)
        for learnt in answer.learnt:
            if fault_of_parameters(learnt.parameter_set) is None:
                self._use(learnt.parameter_set)

    def _use(self, parameters: ParameterSet) -> None:
        with closing(open_writer(self._folder)) as writer:
            writer.add_parameters(parameters)
        situation = make_situation(
            slab(),
            air(),
            outdoor(),
            parameter_sets={parameters.zone: parameters},
            sessions=(make_session(),),
        )
        decide(situation, Carry.at_start(HeaterState(), START))


class Requests:
    """A file in the folder of requests acknowledges a heater of the site, or nothing."""

    name, share = "requests", 0.02
    GOOD = (
        b'{"acknowledge": "boiler", "at_s": 1768197600.0}',
        b'{"acknowledge": "boiler", "at_s": 1768197600.0, "waits": ["loop_pressure"]}',
    )
    NAMES = ("acknowledge-boiler.json", "acknowledge-é.json", "acknowledge-.json", "other.json")

    def __init__(self, folder: Path) -> None:
        self._store = folder
        self._folder = folder / FOLDER
        self._folder.mkdir()

    def make(self, chance: random.Random) -> tuple[str, str, bytes]:
        form = chance.choices(("file", "folder", "link", "pipe"), (90, 1, 1, 1))[0]
        return form, chance.choice(self.NAMES), mutated(chance, self.GOOD)

    def check(self, case: tuple[str, str, bytes]) -> None:
        form, name, data = case
        path = self._folder / name
        if form == "folder":
            path.mkdir()
        elif form == "link":
            path.symlink_to("/dev/zero")
        elif form == "pipe":
            os.mkfifo(path)
        else:
            path.write_bytes(data)
        found = take_acknowledgements(self._store, known=frozenset({HEATER})).given
        if found:
            assert set(found) == {HEATER}
            assert all(isinstance(rule, str) for rule in found[HEATER])
            assert json.loads(data)["acknowledge"] == HEATER
            assert form == "file"
            assert name.startswith("acknowledge-")
        if path.is_dir():
            path.rmdir()
        path.unlink(missing_ok=True)


KINDS = (PlanAnswers, LearntAnswers, Requests)
