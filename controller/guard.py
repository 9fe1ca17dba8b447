"""The guard: one tick after another, and the only module that tells a relay anything.

Each tick gathers what is new, decides, writes the decision, and only then moves the relay.
Whatever goes wrong on the way means OFF.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TextIO

from controller.acknowledgements import Acknowledgements
from controller.alarms import unexpected
from controller.announcer import Announcer
from controller.clock import Clock
from controller.configuration_watch import ConfigurationWatch
from controller.cycle import Carry, Situation, decide
from controller.failures import Failures, unheard, unweighed_off
from controller.intake import Intake
from controller.local_time import LocalTime
from controller.output_desk import OutputDesk, RelayPort
from controller.planning_desk import HeaterNeeds, Needs, PlanningDesk
from controller.read_back import ReadBackDesk
from controller.recorder import Recorder
from controller.records.decision import Command, Decision, HeaterState, Notice, NoticeKind
from controller.records.instant import Instant
from controller.records.safety import NOTHING, Acknowledged, Severity
from controller.records.site import Heater, Site
from controller.sentences import Background, headline
from controller.session_book import SessionBook
from controller.store.failures import StoreFailed
from controller.store.writer import Writer
from controller.stored_states import StoredStates, another_store_notices, damage_notices

log = logging.getLogger(__name__)


class TakenOver(Exception):
    """Another client has taken the session to a relay: this service must end."""


@dataclass(slots=True)
class _HeaterDesk:
    """What the guard keeps for one heater between ticks."""

    heater: Heater
    relay: RelayPort
    carry: Carry
    recorder: Recorder
    read_back: ReadBackDesk
    announcer: Announcer
    outputs: OutputDesk
    last: Decision | None = None
    troubles: tuple[Notice, ...] = ()


class Guard:
    """All that happens in a tick, in its order.

    Parameters
    ----------
    watch : ConfigurationWatch
    clock : Clock
    intake : Intake
        Where readings come from.
    relays : mapping of str to RelayPort
        By heater, pump and valve.
    store : Writer
    desk : PlanningDesk
    distress : TextIO
        Where a decision goes that cannot be stored.
    """

    def __init__(
        self,
        *,
        watch: ConfigurationWatch,
        clock: Clock,
        intake: Intake,
        relays: Mapping[str, RelayPort],
        store: Writer,
        desk: PlanningDesk,
        distress: TextIO = sys.stderr,
    ) -> None:
        self._watch, self._clock, self._intake = watch, clock, intake
        self._store, self._desk = store, desk
        self._site: Site = watch.current.site
        self._local = LocalTime(self._site.time_zone)
        self._book, self._acknowledgements = SessionBook(), Acknowledgements()
        self._for_once = [Notice(NoticeKind.STARTED, "The service has started.")]
        self.site_changed = False
        now = clock.now()
        self._heaters = [
            _HeaterDesk(
                heater=heater,
                relay=relays[heater.id],
                carry=Carry(HeaterState()),
                recorder=Recorder(store, distress),
                read_back=ReadBackDesk(),
                announcer=Announcer(),
                outputs=OutputDesk({o.id: relays[o.id] for o in self._site.outputs_of(heater)}),
            )
            for heater in self._site.heaters
        ]
        self._states = StoredStates(store, [heater.id for heater in self._site.heaters])
        for at_heater in self._heaters:
            at_heater.carry = self._states.first_carry(at_heater.heater.id, now)
        self._for_once += self._states.notices()
        self._for_once += damage_notices(watch.current.store)
        self._texts_kept = False
        self._generation = store.generation

    def tick(self) -> None:
        """Run one tick.

        Raises
        ------
        TakenOver
            Where another client has taken a relay's session. All heaters have been told OFF.
        """
        now = self._clock.now()
        try:
            self._tick(now)
        except TakenOver:
            text = "Another client has taken the session to a relay."
            self._off(now, Notice(NoticeKind.UNEXPECTED_ERROR, text, alarm=True))
            raise
        except Exception as error:
            # any unexpected error means OFF and a record of it; the next tick tries again
            log.exception("unexpected error in a tick")
            self._off(now, unexpected(error))

    def finish_planning(self) -> None:
        """Wait for the planner: for a clock that stands still until the next tick."""
        now = self._clock.now()
        try:
            self._desk.finish(now, self._needs(now))
        except StoreFailed as error:
            log.error("%s", error)  # noqa: TRY400 - the next decision will meet it as well

    def stop(self) -> None:
        """Tell every heater OFF and write why; store the readings of the last minute."""
        self._desk.stop()
        now = self._clock.now()
        self._off(now, Notice(NoticeKind.STOPPED, "The service was stopped."))
        try:
            self._intake.flush(now, self._store)
        except StoreFailed as error:
            log.error("%s", error)  # noqa: TRY400 - the sentence says it all

    def last_off(self, heater: str) -> Command:
        """The OFF with which a heater's connection is to be closed, after ``stop``."""
        state = next(d.carry.state for d in self._heaters if d.heater.id == heater)
        return Command(heater, False, state.sequence + 1, state.issued_s, 0.0)

    def _tick(self, now: Instant) -> None:
        if any(desk.relay.taken_over or desk.outputs.taken_over for desk in self._heaters):
            raise TakenOver
        known = frozenset(desk.heater.id for desk in self._heaters)
        acknowledged, told = self._take_acknowledgements(known)
        notices = self._gather(now) + self._watch.notices + tuple(self._for_once) + told
        self._for_once.clear()
        for desk in self._heaters:
            try:
                given = acknowledged.get(desk.heater.id, NOTHING)
                self._decide(desk, now, notices, acknowledged=given)
            except Exception as error:
                log.exception("unexpected error while deciding for heater %s", desk.heater.id)
                self._off(now, unexpected(error), [desk])
        self._ask(now)

    def _take_acknowledgements(
        self, known: frozenset[str]
    ) -> tuple[Mapping[str, Acknowledged], tuple[Notice, ...]]:
        try:
            return self._acknowledgements.take(self._watch.current.store, known=known)
        except Exception as error:
            log.exception("unexpected error while taking acknowledgements")
            return {}, (unexpected(error),)

    def _ask(self, now: Instant) -> None:
        """Ask the planner last, so that a plan starts from the commands of this tick."""
        try:
            self._desk.ask(now, self._needs(now))
        except Exception as error:
            log.exception("unexpected error while asking the planner")
            self._for_once.append(unexpected(error))  # OFF, but for frost, from the next tick on

    def _gather(self, now: Instant) -> tuple[Notice, ...]:
        """Take in readings and news; what fails is a notice, and stops no other step.

        After an unexpected error the interlocks see to it that only frost protection heats.
        """
        notices: tuple[Notice, ...] = ()
        failed: tuple[Notice, ...] = ()
        steps = (
            self._take_up_configuration,
            self._meet_store,
            self._take_readings,
            self._take_news,
        )
        for step in steps:
            try:
                notices += step(now)
            except StoreFailed as error:
                failed = failed or (Notice(NoticeKind.STORE_FAILED, str(error), alarm=True),)
            except Exception as error:
                log.exception("unexpected error while gathering")
                notices = (unexpected(error), *notices)
        return notices + (self._store.notices() or failed)

    def _meet_store(self, now: Instant) -> tuple[Notice, ...]:
        """Learn what a store has kept that has only now been opened; fill a new one."""
        for desk in self._heaters:
            desk.carry = self._states.joined(desk.heater.id, desk.carry, now)
        if self._generation != self._store.generation:
            self._generation = self._store.generation
            self._texts_kept = False
            self._desk.store_is_another()
            folder = self._watch.current.store
            self._for_once += another_store_notices(folder, self._generation)
            self._for_once += self._states.notices()
        if not self._texts_kept:
            self._keep_texts()
        return ()

    def _take_readings(self, now: Instant) -> tuple[Notice, ...]:
        return self._intake.take(now, self._store, at_once=self._desk.will_ask(now))

    def _take_news(self, now: Instant) -> tuple[Notice, ...]:
        self._desk.take(now)
        return ()

    def _take_up_configuration(self, now: Instant) -> tuple[Notice, ...]:
        if not self._watch.look():
            return ()
        current = self._watch.current
        self.site_changed = current.site != self._site
        self._desk.limits_changed(current.limits)
        text = "A changed configuration has been taken up."
        self._for_once.append(Notice(NoticeKind.CONFIGURATION_LOADED, text))
        self._texts_kept = False
        return ()

    def _keep_texts(self) -> None:
        """Keep the configuration's own text, so that a decision can be read back beside it."""
        loaded_s = self._clock.now().utc_s
        for name, text in self._watch.current.texts.items():
            self._store.keep_configuration(name, text, loaded_s)
        self._texts_kept = True

    def _needs(self, now: Instant) -> Needs:
        configuration = self._watch.current
        return {
            desk.heater.id: HeaterNeeds(
                sessions=self._book.of(desk.heater, configuration, now),
                heating=desk.carry.state.heating,
                seen=all(desk.carry.airs.values()) and bool(desk.carry.airs),
                held=self._book.held(desk.heater, configuration, now),
            )
            for desk in self._heaters
        }

    def _situation(
        self,
        desk: _HeaterDesk,
        now: Instant,
        notices: tuple[Notice, ...],
        acknowledged: Acknowledged,
    ) -> Situation:
        configuration, heater, failed = self._watch.current, desk.heater, Failures()
        sessions = failed.among(lambda: self._book.of(heater, configuration, now), ())
        sensors = self._site.sensors_of(heater)
        sensed = failed.among(
            lambda: self._intake.sensed(sensors, configuration.limits, now), unheard(sensors)
        )
        standing = failed.among(lambda: self._desk.notices(heater.id, sessions), ())
        return Situation(
            now=now,
            heater=heater,
            zones=self._site.zones_of(heater),
            limits=configuration.limits,
            sensed=sensed,
            sessions=sessions,
            plan=self._desk.plans.get(heater.id),
            parameter_sets=self._desk.parameter_sets,
            acknowledged=acknowledged,
            notices=failed.notices + notices + standing,
            relay_reachable=desk.relay.reachable,
            loops=self._site.loops_of(heater),
            deaf=desk.outputs.deaf,
            interrupted=desk.relay.take_interruption(),
        )

    def _decide(
        self,
        desk: _HeaterDesk,
        now: Instant,
        notices: tuple[Notice, ...],
        *,
        acknowledged: Acknowledged,
    ) -> None:
        situation = self._situation(desk, now, desk.troubles + notices, acknowledged)
        desk.troubles = ()
        decision, carry = decide(situation, desk.carry)
        self._watch_for_events(desk, decision)
        row_due = desk.recorder.is_due(decision)
        if row_due:
            decision, carry = desk.recorder.record(decision, carry, before=desk.carry)
        # before it is sent: should that fail, the OFF to follow must be younger
        desk.carry = carry
        desk.outputs.send(decision, desk.relay, row_due=row_due)
        self._tell(desk, decision)
        desk.last = decision

    def _watch_for_events(self, desk: _HeaterDesk, decision: Decision) -> None:
        """A verdict that comes or goes may change what can be planned."""
        if _gravest(decision) != _gravest(desk.last):
            self._desk.want_plans()

    def _tell(self, desk: _HeaterDesk, decision: Decision) -> None:
        """Put what is carried out into the log, and the relay's answer on record.

        What fails here takes nothing back, for a cold slab is heated by it; from the next tick on
        it means OFF but for frost, for this heater.
        """
        try:
            self._say(desk, decision)
            self._read_back(desk, decision)
        except Exception as error:
            log.exception("unexpected error while telling of heater %s", desk.heater.id)
            desk.troubles = (unexpected(error),)

    def _say(self, desk: _HeaterDesk, decision: Decision) -> None:
        """Put into the log what changed: command, trips, and each alarm once."""
        last, background = desk.last, Background(self._local, self._desk.plans.get(desk.heater.id))
        if last is None or last.command.heat != decision.command.heat:
            log.info("%s: %s", desk.heater.id, headline(decision, background))
        desk.announcer.say(decision, last)
        grave = _gravest(decision)
        if grave is not None and grave[1] >= Severity.TRIP and grave != _gravest(last):
            log.warning("%s: %s", desk.heater.id, headline(decision, background))

    def _read_back(self, desk: _HeaterDesk, decision: Decision) -> None:
        if desk.last is None or desk.last.command.heat != decision.command.heat:
            desk.read_back.expect(decision.command, decision.at)
        readback = desk.read_back.take(decision.sensed, decision.at)
        if readback is None:
            return
        try:
            self._store.add_readback(desk.heater.id, readback)
        except StoreFailed as error:
            log.error("%s", error)  # noqa: TRY400 - the next decision will meet it as well

    def _off(self, now: Instant, notice: Notice, desks: list[_HeaterDesk] | None = None) -> None:
        for desk in self._heaters if desks is None else desks:
            try:
                self._off_heater(desk, now, notice)
            except Exception:
                # one heater that cannot be told must not keep the others from being told
                log.exception("while telling heater %s OFF", desk.heater.id)

    def _off_heater(self, desk: _HeaterDesk, now: Instant, notice: Notice) -> None:
        state = desk.carry.state
        issued_s = max(now.utc_s, state.issued_s + 0.001)
        command = Command(desk.heater.id, False, state.sequence + 1, issued_s, 0.0)
        if state.heating:
            desk.carry = replace(desk.carry, changed_mono_s=now.mono_s)
            desk.read_back.expect(command, now)
        state = replace(state, heating=False, sequence=command.sequence, issued_s=issued_s)
        desk.carry = replace(desk.carry, state=state, issued_mono_s=now.mono_s)
        zones = tuple(zone.id for zone in self._site.zones_of(desk.heater))
        desk.last = unweighed_off(now, command, zones, notice)
        try:
            # here the relay comes first: what is wrong may be the record itself
            desk.relay.send(command)
        finally:
            _put_on_record(desk, desk.last)


def _put_on_record(desk: _HeaterDesk, decision: Decision) -> None:
    """Write a decision that is already carried out, on standard error where all else fails."""
    if not desk.recorder.is_due(decision):
        return
    try:
        desk.recorder.record(decision, desk.carry, before=desk.carry)
    except Exception:
        desk.recorder.cry(decision)
        raise


def _gravest(decision: Decision | None) -> tuple[str, Severity] | None:
    """The verdict that settles a decision, but for the minimum times, which pass by themselves."""
    deciding = decision.deciding if decision else None
    if deciding is None or deciding.severity <= Severity.HOLD:
        return None
    return deciding.rule, deciding.severity
