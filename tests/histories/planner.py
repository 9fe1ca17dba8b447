"""A planner child that answers at once, sensibly or not."""

from __future__ import annotations

import math
import random
from dataclasses import replace

from controller.planner_process import Answer, Errand, PlannerFailure
from controller.records.errands import LearnAnswer, LearnErrand, Learnt, PlanAnswer, PlanErrand
from controller.records.plan import Block, BlockReason, Plan
from tests.controller.builders import make_parameters, make_plan

KINDS = ("on", "off", "pulses", "ends", "silent", "fails", "nonsense", "raises")


class Child:
    """Does what its ``kind`` says: heat always, never, in pulses; or one of the ways to fail."""

    def __init__(self, seed: int) -> None:
        self.kind = "on"
        self.errand: Errand | None = None
        self._random = random.Random(seed)

    @property
    def raises(self) -> bool:
        return self.kind == "raises"

    def start(self, errand: Errand) -> None:
        if self.kind == "fails" and self._random.random() < 0.3:
            raise OSError("cannot start another process")
        self.errand = errand

    def poll(self) -> Answer | PlannerFailure | None:
        if self.raises:
            raise RuntimeError("nobody has thought of this")
        if self.errand is None or self.kind == "silent":
            return None
        errand, self.errand = self.errand, None
        if self.kind == "fails":
            return PlannerFailure("it was ended after 60 s")
        if isinstance(errand, LearnErrand):
            return self._learnt(errand)
        return PlanAnswer(self._plan(errand))

    def stop(self) -> None:
        self.errand = None

    def _learnt(self, errand: LearnErrand) -> LearnAnswer:
        absurd = self._random.choice((math.nan, -1.0, 1e9, math.inf))
        values = {"time_constant_s": absurd} if self.kind == "nonsense" else {}
        parameters = replace(make_parameters(**values), made_s=errand.now_s)
        return LearnAnswer((Learnt(parameters, True, "it was asked for"),))

    def _plan(self, errand: PlanErrand) -> Plan:
        heat = self.kind in ("on", "ends")
        plan = make_plan(made_s=errand.now_s, heat=heat, sessions=errand.sessions)
        if self.kind == "pulses":
            return replace(plan, blocks=self._pulses(plan))
        if self.kind == "ends":
            return replace(plan, until_s=plan.made_s + 400.0)
        return replace(plan, **self._nonsense(plan)) if self.kind == "nonsense" else plan

    def _pulses(self, plan: Plan) -> tuple[Block, ...]:
        """Shorter than any heater may be switched."""
        blocks, start_s, heat = [], plan.made_s, True
        while start_s < plan.made_s + 7200.0:
            end_s = start_s + self._random.choice((15.0, 60.0, 240.0, 600.0))
            blocks.append(Block(start_s, end_s, heat, BlockReason.HOLD))
            start_s, heat = end_s, not heat
        return (*blocks, Block(start_s, plan.until_s, False, BlockReason.IDLE))

    def _nonsense(self, plan: Plan) -> dict[str, object]:
        first = plan.blocks[0]
        return self._random.choice(
            (
                {"heater": "kettle"},
                {"until_s": math.inf},
                {"made_s": math.nan},
                {"blocks": ()},
                {"blocks": (replace(first, end_s=math.nan),)},
                {"blocks": (replace(first, start_s=first.end_s),)},
                {"made_s": plan.made_s + 1e6, "until_s": plan.until_s + 1e6},
                {"outlooks": (), "blocks": (replace(first, heat=True, session="never"),)},
            )
        )
