"""The state machine of the random histories: what can happen, one rule for each.

Most rules end with a stretch of ticks, so that a step of hypothesis covers minutes to hours.
"""

from __future__ import annotations

from collections import Counter
from typing import ClassVar

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from tests.histories.instruments import MODES
from tests.histories.planner import KINDS
from tests.histories.scene import Scene

NAMES = ("slab-1", "slab-2", "air", "outdoor", "supply", "return", "pressure", "power", "state")
names = st.sampled_from(NAMES)
temperatures = st.sampled_from((-12.0, -3.0, 1.0, 3.0, 4.5, 6.0, 8.0, 14.0, 18.0, 26.0, 34.0))
values = st.sampled_from(
    (-40.0, -5.0, 0.0, 1.0, 4.0, 6.0, 16.0, 20.0, 39.0, 41.0, 46.0, 54.0, 57.0, 85.0)
)
stretches = st.sampled_from((1, 3, 7, 13, 32, 64, 130))


class History(RuleBasedStateMachine):
    """One random history."""

    total: ClassVar[Counter[str]] = Counter()
    """Ticks of all histories of this process, and what happened in them."""

    def __init__(self) -> None:
        super().__init__()
        self.scene: Scene | None = None

    @initialize(
        seed=st.integers(0, 2**16),
        full=st.sampled_from((True, False)),
        reports=st.booleans(),
        timed=st.booleans(),
        period_s=st.sampled_from((10.0, 30.0, 60.0, 60.0)),
        slab_c=temperatures,
        outdoor_c=st.sampled_from((-15.0, -5.0, 2.0, 10.0, 25.0)),
    )
    def begin(
        self, seed: int, full: bool, reports: bool, timed: bool, period_s: float,
        slab_c: float, outdoor_c: float,
    ) -> None:  # fmt: skip
        scene = Scene(seed=seed, full=full, reports=reports, timed=timed, period_s=period_s)
        plant = scene.plant
        plant.slab_c = plant.supply_c = plant.return_c = slab_c
        plant.outdoor_c, plant.air_c = outdoor_c, 0.5 * (slab_c + outdoor_c)
        self.scene = scene
        self.run(40)

    def teardown(self) -> None:
        if self.scene is None:
            return
        try:
            if not getattr(self, "failed", False):
                self.scene.heal_and_prove()
        finally:
            self.total.update(self.scene.judge.counts)
            self.total["histories"] += 1
            self.scene.close()

    def run(self, ticks: int) -> None:
        try:
            for _ in range(ticks):
                self.scene.tick()
        except BaseException:
            self.failed = True
            raise

    @property
    def up(self) -> bool:
        return self.scene is not None and self.scene.guard is not None

    # --- time -----------------------------------------------------------------------------------

    @rule(ticks=stretches)
    def time_goes_on(self, ticks: int) -> None:
        self.run(ticks)

    @rule()
    def hours_go_on(self) -> None:
        self.run(400)

    @rule(late_s=st.sampled_from((11.0, 17.0, 25.0, 60.0, 200.0)))
    def a_tick_is_late(self, late_s: float) -> None:
        self.scene.tick(late_s)
        self.run(5)

    @rule(
        step_s=st.sampled_from((-1e8, -86400.0, -3600.0, -90.0, -20.0, 20.0, 90.0, 3600.0, 86400.0))
    )
    def the_clock_is_set(self, step_s: float) -> None:
        self.scene.set_clock(step_s)
        self.run(9)

    # --- readings -------------------------------------------------------------------------------

    @rule(name=names, mode=st.sampled_from(MODES), value=values, ticks=stretches)
    def a_sensor_changes(self, name: str, mode: str, value: float, ticks: int) -> None:
        self.scene.sensor_mode(name, mode, value)
        self.run(ticks)

    @rule(
        mode=st.sampled_from(("silent", "junk", "flapping", "fahrenheit")),
        value=st.sampled_from((300.0, 640.0, 900.0)),
        outdoor_c=st.sampled_from((-20.0, -8.0, 3.0)),
        ticks=st.sampled_from((64, 130, 400)),
    )
    def the_slab_is_unseen_in_frost(
        self, mode: str, value: float, outdoor_c: float, ticks: int
    ) -> None:
        plant = self.scene.plant
        plant.outdoor_c, plant.slab_c, plant.air_c = outdoor_c, 3.0, 2.0
        for name in ("slab-1", "slab-2"):
            self.scene.sensor_mode(name, mode, value)
        self.run(ticks)

    @rule(ticks=stretches)
    def all_sensors_are_well(self, ticks: int) -> None:
        for name in NAMES:
            self.scene.sensor_mode(name, "plain", 0.0)
        self.run(ticks)

    @rule(name=names, spikes=st.lists(values, min_size=1, max_size=3))
    def a_spike(self, name: str, spikes: list[float]) -> None:
        self.scene.spike(name, spikes)
        self.run(12)

    @rule(name=names, value=values, old_s=st.sampled_from((-3600.0, 5.0, 400.0, 604800.0)))
    def a_retained_reading(self, name: str, value: float, old_s: float) -> None:
        self.scene.retained(name, value, old_s)
        self.run(3)

    @rule(late_s=st.sampled_from((0.0, 20.0, 90.0)))
    def the_relay_state_is_late(self, late_s: float) -> None:
        self.scene.sensors.state_late_s = late_s
        self.run(20)

    # --- the plant ------------------------------------------------------------------------------

    @rule(slab_c=temperatures, ticks=stretches)
    def the_slab_is_elsewhere(self, slab_c: float, ticks: int) -> None:
        self.scene.plant.slab_c = slab_c
        self.run(ticks)

    @rule(outdoor_c=st.sampled_from((-20.0, -8.0, 0.0, 12.0, 28.0)), ticks=stretches)
    def the_weather_changes(self, outdoor_c: float, ticks: int) -> None:
        self.scene.plant.outdoor_c = outdoor_c
        self.run(ticks)

    @rule(fire_w=st.sampled_from((0.0, 0.0, 25000.0, -12000.0)), ticks=stretches)
    def heat_from_elsewhere(self, fire_w: float, ticks: int) -> None:
        self.scene.plant.fire_w = fire_w
        self.run(ticks)

    @rule(flow=st.booleans(), ticks=stretches)
    def the_flow(self, flow: bool, ticks: int) -> None:
        self.scene.plant.flow = flow
        self.run(ticks)

    # --- relay and broker -----------------------------------------------------------------------

    @rule(welded=st.booleans(), deaf=st.booleans(), ticks=stretches)
    def the_board(self, welded: bool, deaf: bool, ticks: int) -> None:
        self.scene.board.welded, self.scene.board.deaf = welded, deaf
        self.run(ticks)

    @rule()
    def the_board_restarts(self) -> None:
        self.scene.board.power_up(self.scene.clock.now().mono_s)
        self.run(4)

    @rule(slow_s=st.sampled_from((0.0, 15.0, 45.0, 100.0)))
    def the_boards_link_is_slow(self, slow_s: float) -> None:
        self.scene.wire.slow_s = slow_s
        self.run(8)

    @rule(ticks=stretches)
    def the_broker_is_away(self, ticks: int) -> None:
        self.scene.wire.broker_dies()
        self.run(ticks)
        self.scene.wire.broker_up = True
        self.run(4)

    @rule(ticks=st.sampled_from((1, 2, 5, 20, 100)))
    def the_broker_is_frozen(self, ticks: int) -> None:
        self.scene.wire.freeze()
        self.run(ticks)
        self.scene.wire.thaw()
        self.run(4)

    # --- planning -------------------------------------------------------------------------------

    @rule(kind=st.sampled_from(KINDS), ticks=stretches)
    def the_planner(self, kind: str, ticks: int) -> None:
        self.scene.child.kind = kind
        self.run(ticks)

    @rule(
        in_s=st.sampled_from((600.0, 7200.0, 40000.0)),
        target_c=st.sampled_from((12.0, 21.0)),
        ticks=stretches,
    )
    def a_booking(self, in_s: float, target_c: float, ticks: int) -> None:
        self.scene.book(in_s, 3.0, target_c)
        self.run(ticks)

    @rule()
    def a_booking_is_cancelled(self) -> None:
        self.scene.cancel()
        self.run(3)

    # --- service and record ---------------------------------------------------------------------

    @rule(down_s=st.sampled_from((1.0, 15.0, 60.0, 900.0, 7200.0)), will=st.booleans())
    def the_service_is_killed(self, down_s: float, will: bool) -> None:
        self.scene.end(will=will)
        self.scene.pass_time(down_s)
        self.scene.start()
        self.run(8)

    @rule(period=st.sampled_from((1, 2, 3, 9)), times=st.integers(2, 12))
    def a_crash_loop(self, period: int, times: int) -> None:
        for _ in range(times):
            self.run(period)
            self.scene.end(will=True)
            self.scene.pass_time(7.0)
            self.scene.start()
        self.run(2)

    @rule()
    def the_service_is_stopped(self) -> None:
        self.scene.stop()
        self.scene.pass_time(30.0)
        self.scene.start()
        self.run(8)

    @rule(fails=st.booleans(), ticks=stretches)
    def the_store(self, fails: bool, ticks: int) -> None:
        self.scene.store.failing = fails
        self.run(ticks)

    @rule()
    def the_stored_state_is_spoilt(self) -> None:
        self.scene.spoil_state()
        self.run(8)

    @rule(ticks=st.sampled_from((1, 5)))
    def something_unexpected(self, ticks: int) -> None:
        self.scene.fault.at = "configuration"
        self.run(ticks)
        self.scene.fault.at = None
        self.run(3)

    @rule(ticks=stretches)
    def the_owner_acknowledges(self, ticks: int) -> None:
        self.scene.acknowledge()
        self.run(ticks)
