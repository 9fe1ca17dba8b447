"""The independent judge: what may never be seen at the relay, whatever happens.

It reads the messages at the relay, the truth of the plant, the readings as they were sent, and the
record as it was written (rows and standard error). It never asks the guard what it knows.
"""

from __future__ import annotations

import json
from collections import Counter, deque
from collections.abc import Callable
from typing import Any

from controller.records.decision import Decision
from controller.records.instant import Instant
from controller.records.site import Role, Site
from tests.histories.hard_limits import HardLimits
from tests.histories.heat_account import LEAST_S, HeatAccount
from tests.histories.instruments import Heard
from tests.histories.picture import Picture
from tests.histories.plant import Plant
from tests.histories.record_book import RecordBook
from tests.histories.violation import Violation
from tests.histories.wire import Sent

LEASE_S = 120.0
HALF_DAY_S = 12 * 3600.0


class Judge:
    """Hears all that happens, and raises Violation at the first thing that must not be."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self._plant = plant
        self.picture = Picture(site)
        self.hard = HardLimits(self.picture)
        self.account = HeatAccount(self.picture, plant)
        self.book = RecordBook()
        self.diary: deque[str] = deque(maxlen=60)
        """The last things that happened, for whoever reads a failure."""
        self._now = Instant(0.0, plant.mono_s)
        self._sequence, self._issued_s = -1, 0.0
        self._was_on = False
        self._acknowledged = False
        self._tick: dict[str, bool] = {}
        self.counts: Counter[str] = Counter()
        """What was judged, so that nobody takes an idle walk for a proof."""
        self._clock_set_back = self._state_lost = False
        self._remembers_wrongly = False
        """Whether this is the first tick of a process whose memories are older than its last."""

    # --- what happens ---------------------------------------------------------------------------

    def note(self, text: str) -> None:
        self.diary.append(f"{self._now.mono_s:.0f} {text}")

    def started(self, now_s: float) -> None:
        self.note("a process starts")
        self.picture.restart(now_s)
        self.hard.restart(now_s)
        self.book.restart()
        self._was_on = False

    def ended(self, now_s: float, sent: list[Sent]) -> None:
        """The process is gone; what it said last still counts."""
        self._read_messages(sent)
        self._remembers_wrongly = not self.book.stored_last
        self._state_lost = self._state_lost or self._remembers_wrongly
        self.hard.ended(stored=self.book.stored_last)
        self.account.ended(now_s, stored=self.book.stored_last)
        self.note("the process has ended")

    def clock_set(self, step_s: float) -> None:
        self.note(f"the clock is set by {step_s:.0f} s")
        self._clock_set_back = self._clock_set_back or step_s < 0.0

    def state_lost(self) -> None:
        """The stored state can no longer be read."""
        self._state_lost = True

    @property
    def refuses_on(self) -> bool:
        """Whether the board may rightly take every ON for an old one.

        With the state lost nothing tells how far the time of issue had run on beyond a clock that
        was set back: the relay waits for the clock to come up again. Two faults, and OFF.
        """
        return self._clock_set_back and self._state_lost

    def pressure_may_seem_to_fall(self) -> bool:
        """Whether a gauge that has lied of late may withhold planned heat for hours."""
        gauges = self.picture.by_role.get(Role.PRESSURE, [])
        return any(gauge.honest_for_s(self._now.mono_s) < HALF_DAY_S for gauge in gauges)

    def acknowledged(self) -> None:
        self._acknowledged = True

    def row(self, decision: Decision) -> None:
        self.note("row")
        self.book.row(decision, self._now.mono_s)

    def cry(self, decision: dict[str, Any]) -> None:
        self.note("cry")
        self.book.cry(decision, self._now.mono_s)

    def overhear(self, decide: Callable[..., Any]) -> Callable[..., Any]:
        """The same ``decide``, whose answers the record must hold."""

        def decide_aloud(situation: Any, carry: Any) -> Any:
            answer = decide(situation, carry)
            decision = answer[0]
            self.book.decided(decision)
            why = decision.deciding.reason if decision.deciding else decision.wish.reason.value
            self.note(f"decides {'ON' if decision.command.heat else 'OFF'}: {why}")
            return answer

        return decide_aloud

    # --- time -----------------------------------------------------------------------------------

    def watch(self, now_s: float) -> None:
        """Between two ticks: only a lease that still runs may keep the contact closed."""
        board = self._plant.board
        self.account.watch(now_s)
        if board.welded or not board.closed(now_s):
            return
        self.must(now_s - board.taken_s <= LEASE_S, "heat outlasts the lease")
        self.must(board.until_s - board.taken_s <= LEASE_S, "a lease is longer than 120 s")

    def before_tick(
        self,
        now: Instant,
        heard: list[Heard],
        *,
        reachable: bool,
        store_fails: bool,
        surprise: bool,
    ) -> None:
        self._now = now
        self.picture.look(now.mono_s, heard)
        heard.clear()
        self._tick = {"reachable": reachable, "store_fails": store_fails, "surprise": surprise}
        self.book.begin_tick(now.mono_s)
        self.counts["locked"] += self.hard.look(now.mono_s)

    def after_tick(self, sent: list[Sent]) -> None:
        """Everything that the guard did in this tick is known: judge it."""
        if self._acknowledged:
            self.hard.acknowledged()
            self.note("acknowledged")
        on, off = self._read_messages(sent)
        self._count(on=on)
        if on:
            self._judge_on()
        else:
            self._judge_no_on(off=off)
        self.book.judge_tick(self.must, on=on, was_on=self._was_on, **self._tick)
        reachable = self._tick["reachable"]
        self.hard.after(self._now.mono_s, on=on, reachable=reachable, stored=self.book.stored_last)
        self.account.after(self._now.mono_s, on=on, reachable=reachable)
        self._judge_frost(on=on)
        self._was_on, self._acknowledged, self._remembers_wrongly = on, False, False

    def _count(self, *, on: bool) -> None:
        self.counts["ticks"] += 1
        self.counts["on_ticks"] += on
        self.counts["blind_ticks"] += on and self.picture.is_blind()
        self.counts["cries"] += self.book.last_is_cry

    # --- the invariants -------------------------------------------------------------------------

    def _judge_on(self) -> None:
        """An ON was sent: nothing may speak against it."""
        picture, book = self.picture, self.book
        for limit in self.hard.exceeded():
            self.must(False, f"ON while a hard limit is exceeded: {limit}")
        self.must(not self.hard.locked_for_sure, "ON during a lockout that nobody acknowledged")
        unknown = picture.unknown_for_sure()
        if unknown:
            self.must(picture.may_be_cold(), f"ON while unknown, and no frost: {unknown}")
        if self._tick["surprise"]:
            self.must(picture.may_be_cold(), "ON after an unexpected error, and no frost")
        if book.last_is_cry:
            self.must(picture.may_be_cold(), "ON that is not on record, and no frost")

    def _judge_no_on(self, *, off: bool) -> None:
        """No ON was sent: where there was one before, OFF must have been said."""
        told = off or not self._was_on or not self._tick["reachable"]
        self.must(told, "heat ended without an OFF")

    def _judge_frost(self, *, on: bool) -> None:
        """Cold is certain, nothing that beats frost protection is possible: it must heat."""
        tick = self._tick
        excused = not tick["reachable"] or self.hard.may_be_locked() or self.hard.may_be_exceeded()
        cold = self.picture.is_cold_for_sure() and not self._remembers_wrongly
        self.must(on or excused or not cold, "frost protection is starved")
        asked_s = self.account.judge_dark(self._now.mono_s, excused=excused)
        enough = asked_s is None or asked_s >= LEAST_S
        self.must(enough, f"blind frost protection is starved: {asked_s} s within the last hour")

    def _read_messages(self, sent: list[Sent]) -> tuple[bool, bool]:
        """Check the form of each message; whether the last was an ON, and whether any OFF came."""
        on = off = False
        for message in sent:
            order = json.loads(message.payload)
            on = order["heat"]
            off = off or not on
            self.note("says ON" if on else "says OFF")
            self.book.message(order, self.must)
            if on:
                self._read_on(message, order)
            else:
                self.must(message.qos == 1 and message.retain, "an OFF must be kept and confirmed")
            if "seq" in order:
                self._sequence = max(self._sequence, order["seq"])
                self._issued_s = max(self._issued_s, order["issued"])
        sent.clear()
        return on, off

    def _read_on(self, message: Sent, order: dict[str, float]) -> None:
        self.must(message.qos == 0 and not message.retain, "an ON must not wait anywhere")
        self.must(0.0 < order["lease_s"] <= LEASE_S, "an ON without a good lease")
        if not self.refuses_on:
            self.must(order["seq"] > self._sequence, "an ON with an old sequence")
            self.must(order["issued"] >= self._issued_s, "an ON with an old time of issue")

    def must(self, holds: bool, what: str) -> None:
        if not holds:
            raise Violation(what, self._now, self.picture.describe(), list(self.diary))
