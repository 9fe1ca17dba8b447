"""What the demonstration says while it runs: read back from the service's own records."""

from __future__ import annotations

from controller.commands.fit import fit_lines
from controller.commands.plan import Question, describe
from controller.configuration import Configuration
from controller.local_time import LocalTime, duration
from controller.planning.parameters import day_one_set
from controller.records.decision import Decision
from controller.records.plan import BlockReason, Plan
from controller.records.sessions import Session
from controller.rehearsal.building import Building, true_values
from controller.rehearsal.diary import Diary
from controller.rehearsal.score import READY_BELOW_K, Prediction, SessionScore, score_sessions
from controller.sentences import Background, headline
from controller.session_names import session_phrase
from controller.store import Reader

QUIET_S = 3 * 3600.0
"""After this long without news a line is shown all the same [s]."""
FROZEN_S = 12 * 3600.0
"""The prediction that is scored is the last one made at least this long before the session [s]."""
PLAN_HOURS = 36


class Narrator:
    """Tells what the service learns, plans and does.

    Parameters
    ----------
    configuration : Configuration
    heater : str
    store : Reader
        The service's records.
    building : Building
        Its truth is shown beside what the service says.
    """

    def __init__(
        self, configuration: Configuration, heater: str, store: Reader, building: Building
    ) -> None:
        self._configuration, self._heater = configuration, heater
        self._store, self._building = store, building
        self._local = LocalTime(configuration.site.time_zone)
        self._last: Decision | None = None
        self._shown_s = 0.0
        self._frozen: dict[str, Prediction] = {}

    def begin(self, at_s: float, session: Session) -> None:
        """Say what is about to happen."""
        booked = session_phrase(session.id, session, self._local)
        print(f"\nThe service starts on {self._local.moment(at_s)}. Booked: {booked}.", flush=True)

    def tell(self, at_s: float, *, heating: bool) -> None:
        """Tell what is new at this moment, if anything is."""
        decision = self._store.last_decision(self._heater)
        plan = self._store.latest_plan(self._heater)
        if decision is None or plan is None:
            return
        self._freeze(plan)
        if self._last is None:
            self._tell_learnt()
            self._tell_plan(plan, at_s)
        began = decision.wish.reason is BlockReason.PREHEAT and decision.command.heat
        if began and not self._began_before(decision):
            self._tell_plan(plan, at_s)
        changed = self._last is None or _gist(decision) != _gist(self._last)
        if changed or at_s - self._shown_s >= QUIET_S:
            said = headline(decision, Background(self._local, plan)) if changed else ""
            self._tell_state(at_s, said, heating=heating)
            self._shown_s = at_s
        self._last = decision

    def score(self, session: Session, diary: Diary, *, since_s: float) -> None:
        """The scorecard of a session that has just ended."""
        [score] = score_sessions(diary, [session], self._frozen, start_s=since_s)
        print(f"\nScorecard of {session_phrase(session.id, session, self._local)}")
        for line in self._score_lines(session, score):
            print(f"  {line}", flush=True)

    def _began_before(self, decision: Decision) -> bool:
        last = self._last
        return (
            last is not None
            and last.wish.session == decision.wish.session
            and (last.wish.reason is BlockReason.PREHEAT)
        )

    def _freeze(self, plan: Plan) -> None:
        starts_s = {session.id: session.start_s for session in plan.sessions}
        for arrival in (a for outlook in plan.outlooks for a in outlook.arrivals):
            in_time = plan.made_s <= starts_s[arrival.session] - FROZEN_S
            if in_time or arrival.session not in self._frozen:
                self._frozen[arrival.session] = Prediction.of(arrival, made_s=plan.made_s)

    def _tell_learnt(self) -> None:
        site = self._configuration.site
        for zone in site.zones:
            learnt = self._store.latest_parameters(zone.id)
            if learnt is not None:
                day_one = day_one_set(site, zone, now_s=learnt.made_s)
                print("", *fit_lines(learnt, day_one, self._local), sep="\n", flush=True)

    def _tell_plan(self, plan: Plan, at_s: float) -> None:
        lines = describe(plan, self._local, Question(at_s, PLAN_HOURS))
        print("", *lines, sep="\n", flush=True)

    def _tell_state(self, at_s: float, said: str, *, heating: bool) -> None:
        truth = true_values(self._building)
        state = "ON " if heating else "off"
        print(
            f"{self._local.moment(at_s)}  heater {state}  slab {truth['slab']:4.1f}  "
            f"room {truth['air']:4.1f}  outdoors {truth['outdoor']:5.1f} °C  {said}".rstrip(),
            flush=True,
        )

    def _score_lines(self, session: Session, score: SessionScore) -> list[str]:
        ready_c, local = score.target_c - READY_BELOW_K, self._local
        lines = [f"wanted     {score.target_c:.1f} °C (ready from {ready_c:.1f} °C)"]
        if (p := score.predicted) is not None:
            ahead = duration(session.start_s - p.made_s)
            lines.append(
                f"predicted  {p.air_c:.1f} °C, 80 % between {p.low_c:.1f} and {p.high_c:.1f} °C "
                f"({ahead} ahead)"
            )
        lines += [
            f"actual     {score.actual_c:.1f} °C: {'ready' if score.ready else 'NOT ready'}",
            f"comfort    short by {score.shortfall_kh:.2f} K·h; highest {score.overshoot_k:.1f} K "
            "above the target",
            f"energy     {score.energy_kwh:.1f} kWh",
        ]
        if score.heat_from_s is not None and score.heat_until_s is not None:
            since, until = local.moment(score.heat_from_s), local.moment(score.heat_until_s)
            early = duration(session.end_s - score.heat_until_s)
            lines.append(f"heat       {since} to {until}, {early} before the session's end")
        if score.rise_after_k is not None:
            lines.append(f"coast-up   the room rose by {score.rise_after_k:.1f} K after that")
        return lines


def _gist(decision: Decision) -> tuple[object, ...]:
    return (decision.command.heat, decision.wish.reason, decision.wish.session)
