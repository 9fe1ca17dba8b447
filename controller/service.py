"""The long-running service: puts the guard together, and has it tick.

The only module that makes relays. ``serve`` runs on the machine's own clock, ``serve_in_lockstep``
on one that is paced from outside; the guard and all it does are the same.
"""

from __future__ import annotations

import logging
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from controller.clock import Clock, SteppedClock, SystemClock
from controller.configuration_watch import ConfigurationWatch, stamp_of
from controller.guard import Guard, TakenOver
from controller.housekeeping import Housekeeping
from controller.intake import Intake
from controller.last_good import load_or_last_good
from controller.lockstep import MESSAGES_WAIT_S, Pace, PacerGone, wait_for
from controller.planner_process import PlannerProcess
from controller.planning_desk import PlanningDesk
from controller.records.limits import TICK_S
from controller.relays.mqtt import MqttRelay
from controller.sensors.mqtt import SensorIntake
from controller.site_lock import site_lock
from controller.store.failures import StoreFailed
from controller.store.lockout_marks import take_along
from controller.store.writer import Writer, open_lasting_writer
from controller.watchdog import Watchdog

log = logging.getLogger(__name__)

LATE_S = 1.5 * TICK_S
"""A tick that is this late on the monotonic clock: the wall clock was set back [s]."""
CONNECT_WAIT_S = 10.0
"""Longest wait for the broker before a paced clock starts [s, real time]."""


@dataclass(slots=True)
class _Parts:
    """A guard with what the service itself must reach."""

    guard: Guard
    housekeeping: Housekeeping
    sensors: SensorIntake
    relays: dict[str, MqttRelay]


def serve(site_path: Path) -> None:
    """Run until SIGTERM or SIGINT; an edited site file is taken up by starting over.

    Raises
    ------
    ConfigurationError
        Where the configuration is not good at the start, and nothing stands in for it.
    AlreadyRunning
        Where another service runs on this site.
    TakenOver
        Where another client has taken a relay's session.
    """
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    watch = _begin_watch(site_path)
    while not stop.is_set():
        store = watch.current.store
        _serve_one_site(watch, stop)
        take_along(store, watch.current.store)


def serve_in_lockstep(site_path: Path, socket_path: Path) -> None:
    """Run on a clock that is paced through a Unix socket, until the pacer hangs up."""
    pace, real = Pace(socket_path), SystemClock()
    watch = _begin_watch(site_path)
    moment = pace.next_moment()
    if moment is None:
        return
    clock, watchdog = SteppedClock(moment), Watchdog(real)
    with _parts(watch, clock) as parts:
        wait_for(
            lambda: all(r.connected for r in parts.relays.values()) and parts.sensors.connected,
            real,
            seconds=CONNECT_WAIT_S,
        )
        watchdog.start()
        try:
            while moment is not None:
                clock.set(moment)
                _paced_tick(parts, pace, clock, watchdog, real)
                moment = pace.next_moment()
        except PacerGone:
            log.warning("the pacer has hung up in the middle of a tick")
    pace.close()


def _begin_watch(site_path: Path) -> ConfigurationWatch:
    stamp = stamp_of(site_path)
    return ConfigurationWatch(site_path, *load_or_last_good(site_path), stamp=stamp)


def _paced_tick(parts: _Parts, pace: Pace, clock: Clock, watchdog: Watchdog, real: Clock) -> None:
    watchdog.pat()
    expected = pace.clock_is_set()
    arrived = wait_for(lambda: parts.sensors.received >= expected, real, seconds=MESSAGES_WAIT_S)
    if not arrived:
        log.warning("%d of %d messages have arrived", parts.sensors.received, expected)
    parts.guard.tick()
    parts.housekeeping.tick(clock.now())
    # the tick is over; the planner's child has limits of its own, longer than the watchdog's
    watchdog.rest()
    parts.guard.finish_planning()
    pace.done({heater: relay.published for heater, relay in parts.relays.items()})


def _serve_one_site(watch: ConfigurationWatch, stop: threading.Event) -> None:
    """Tick every ``TICK_S`` until told to stop or the site file has changed."""
    clock = SystemClock()
    ended = threading.Event()
    taken_over: list[TakenOver] = []
    watchdog = Watchdog(clock)
    with _parts(watch, clock) as parts:

        def tick() -> None:
            try:
                parts.guard.tick()
            except TakenOver as error:
                taken_over.append(error)
                ended.set()
            parts.housekeeping.tick(clock.now())
            watchdog.pat()

        watchdog.start()
        with _ticking(tick, clock) as rearm:
            _wait(stop, ended, parts.guard, watchdog, rearm)
        watchdog.stop()
    if taken_over:
        raise taken_over[0]


def _wait(
    stop: threading.Event,
    ended: threading.Event,
    guard: Guard,
    watchdog: Watchdog,
    rearm: Callable[[], None],
) -> None:
    while not (stop.is_set() or ended.is_set() or guard.site_changed):
        stop.wait(1.0)
        if watchdog.since_pat_s() > LATE_S:
            # the scheduler waits on wall time: after a step back it would wait for too long
            rearm()


class _EveryTick(BaseTrigger):  # type: ignore[misc]  # the library has no types
    """Due ``TICK_S`` after the last time, or after now where that lies behind.

    The library's own interval lists every time that was missed: after a clock that was set forward
    by years, that fills the memory.
    """

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime:
        tick = timedelta(seconds=TICK_S)
        due = (previous or now) + tick
        return due if due > now else now + tick


@contextmanager
def _ticking(tick: Callable[[], None], clock: Clock) -> Iterator[Callable[[], None]]:
    """Have the scheduler call ``tick``, now and every ``TICK_S``; yields what re-arms it."""

    def wall_time() -> datetime:
        return datetime.fromtimestamp(clock.now().utc_s, UTC)

    scheduler = BackgroundScheduler(timezone=UTC)
    job = scheduler.add_job(
        tick,
        _EveryTick(),
        next_run_time=wall_time(),
        coalesce=True,
        misfire_grace_time=None,
        max_instances=1,
    )

    def rearm() -> None:
        job.modify(next_run_time=wall_time())

    scheduler.start()
    try:
        yield rearm
    finally:
        scheduler.shutdown(wait=True)


@contextmanager
def _parts(watch: ConfigurationWatch, clock: Clock) -> Iterator[_Parts]:
    """Put the guard together; on leaving, every heater is told OFF."""
    configuration = watch.current
    site = configuration.site
    with ExitStack() as stack:
        stack.enter_context(site_lock(configuration.store, watch.site_path))
        store = open_lasting_writer(configuration.store)
        stack.callback(_close_store, store)
        # no id has an underscore: no two sites make the same name
        sensors = SensorIntake(
            site.broker, site.topics, client_id=f"slabtide-{site.id}__sensors", clock=clock
        )
        outputs = [output for heater in site.heaters for output in site.outputs_of(heater)]
        relays = {
            switched.id: MqttRelay(
                site.broker, switched, client_id=f"slabtide-{site.id}_{switched.id}", clock=clock
            )
            for switched in (*site.heaters, *outputs)
        }
        planner = PlannerProcess(configuration.store, SystemClock())
        desk = PlanningDesk(site=site, limits=configuration.limits, planner=planner, store=store)
        guard = Guard(
            watch=watch,
            clock=clock,
            intake=Intake(site, sensors, on_forecast=desk.want_plans),
            relays=relays,
            store=store,
            desk=desk,
        )
        _connect(stack, guard, sensors, relays, {output.id for output in outputs})
        yield _Parts(guard, Housekeeping(store), sensors, relays)


def _connect(
    stack: ExitStack,
    guard: Guard,
    sensors: SensorIntake,
    relays: dict[str, MqttRelay],
    outputs: set[str],
) -> None:
    """Open the connections, and say how each is closed: the last thing a heater hears is OFF.

    Pump and valves are left to their leases, which outlast the heat and its overrun.
    """
    for switched, relay in relays.items():
        relay.start()
        if switched in outputs:
            stack.callback(relay.leave)
        else:
            stack.callback(_close, relay, guard, switched)
    stack.callback(guard.stop)
    sensors.start()
    stack.callback(sensors.stop)


def _close_store(store: Writer) -> None:
    try:
        store.close()
    except StoreFailed as error:
        log.error("%s", error)  # noqa: TRY400 - all that was acknowledged is in its log


def _close(relay: MqttRelay, guard: Guard, heater: str) -> None:
    relay.stop(guard.last_off(heater))
