"""The judge can fail: a guard with one part taken out is caught at what it then does."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from controller import cycle, recorder, supervisor
from controller.interlocks import frost_protection
from controller.records.instant import Instant
from controller.records.limits import TICK_S
from tests.histories.scene import Scene
from tests.histories.violation import Violation


@pytest.fixture
def scene() -> Iterator[Scene]:
    """A workshop with all sensors, heating by plan."""
    scene = Scene(seed=1, full=True, reports=True, timed=False, period_s=30.0)
    run(scene, 60)
    assert scene.board.closed(scene.clock.now().mono_s)
    yield scene
    scene.close()


def run(scene: Scene, ticks: int) -> None:
    for _ in range(ticks):
        scene.tick()


def without(*rules: str) -> tuple[Any, ...]:
    left = tuple(rule for rule in supervisor.RULES if rule.NAME not in rules)
    assert len(left) == len(supervisor.RULES) - len(rules)
    return left


def hot_slab(scene: Scene) -> None:
    scene.plant.fire_w = 25000.0
    scene.plant.slab_c = 41.0


def hot_supply(scene: Scene) -> None:
    scene.plant.slab_c = 46.0
    scene.sensor_mode("slab-1", "stuck", 20.0)
    scene.sensor_mode("slab-2", "stuck", 20.1)


def silent_slab(scene: Scene) -> None:
    scene.plant.slab_c, scene.plant.outdoor_c = 20.0, 15.0
    for name in ("slab-1", "slab-2"):
        scene.sensor_mode(name, "silent", 0.0)


def cold_slab(scene: Scene) -> None:
    scene.child.kind = "off"
    scene.plant.slab_c, scene.plant.air_c, scene.plant.outdoor_c = 2.0, 1.0, -10.0


CASES: tuple[tuple[tuple[str, ...], Callable[[Scene], None], str], ...] = (
    (("slab_over_temperature", "floor_surface"), hot_slab, "hard limit is exceeded"),
    (("supply_over_temperature",), hot_supply, "hard limit is exceeded"),
    (("stale_reading", "implausible_reading"), silent_slab, "ON while unknown"),
    (("frost_protection",), cold_slab, "frost protection is starved"),
)


@pytest.mark.parametrize(("rules", "happens", "what"), CASES)
def test_a_guard_without_a_rule_is_caught(
    scene: Scene,
    monkeypatch: pytest.MonkeyPatch,
    rules: tuple[str, ...],
    happens: Callable[[Scene], None],
    what: str,
) -> None:
    """What the rule is there for happens, and the judge sees what comes of it."""
    monkeypatch.setattr(supervisor, "RULES", without(*rules))
    happens(scene)
    with pytest.raises(Violation, match=what):
        run(scene, 300)


@pytest.mark.parametrize(("rules", "happens", "what"), CASES)
def test_a_whole_guard_is_not(
    scene: Scene, rules: tuple[str, ...], happens: Callable[[Scene], None], what: str
) -> None:
    """The same with every rule in its place breaks nothing."""
    happens(scene)
    run(scene, 300)


def test_a_forgotten_lockout_is_caught(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """A confirmed trip that is over must still hold the heat off."""
    rule = next(rule for rule in supervisor.RULES if rule.NAME == "lockout")
    hot_slab(scene)
    run(scene, 100)
    assert scene.judge.hard.locked_for_sure
    monkeypatch.setattr(supervisor, "RULES", without(rule.NAME))
    scene.plant.fire_w, scene.plant.slab_c = 0.0, 16.0
    with pytest.raises(Violation, match="lockout that nobody acknowledged"):
        run(scene, 200)


@pytest.fixture
def unseen() -> Iterator[Scene]:
    """Frost heat on a slab that has just fallen silent, more than an hour after the start."""
    scene = Scene(seed=361, full=True, reports=True, timed=True, period_s=60.0)
    plant = scene.plant
    plant.slab_c = plant.supply_c = plant.return_c = 1.0
    plant.air_c, plant.outdoor_c = 0.0, -15.0
    scene.child.kind = "off"
    run(scene, 380)
    for name in ("slab-1", "slab-2"):
        scene.sensor_mode(name, "silent", 0.0)
    assert scene.board.closed(scene.clock.now().mono_s)
    yield scene
    scene.close()


def test_blind_heat_without_bound_is_caught(unseen: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """A budget that is never spent lets frost protection heat on."""
    monkeypatch.setattr(frost_protection, "_spent_s", lambda account: 0.0)
    with pytest.raises(Violation, match="930 s of blind heat within an hour"):
        run(unseen, 180)


def test_an_off_that_is_held_up_is_the_links_fault(unseen: Scene) -> None:
    """The contact stays closed for as long as the OFF is on its way.

    Heat that began seen runs on blind without a break, so that no late ON makes up for it.
    """
    unseen.wire.slow_s = 100.0
    run(unseen, 180)
    assert unseen.judge.account.most_blind_s > 920.0


def test_blind_heat_beyond_a_held_up_off_is_caught(
    unseen: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slow link excuses no more than a lease."""
    unseen.wire.slow_s = 100.0
    monkeypatch.setattr(frost_protection, "_spent_s", lambda account: 0.0)
    with pytest.raises(Violation, match="930 s of blind heat within an hour"):
        run(unseen, 180)


def test_a_long_lease_is_caught(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten minutes on one ON are too long, even while every tick renews it."""
    monkeypatch.setattr(cycle, "LEASE_S", 60.0 * TICK_S)
    with pytest.raises(Violation, match="lease"):
        run(scene, 3)


def test_a_missing_row_is_caught(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """A record that leaves rows out is seen at the first of them."""
    monkeypatch.setattr(recorder.Recorder, "is_due", lambda self, decision: False)
    with pytest.raises(Violation, match="without a row"):
        run(scene, 20)


def test_a_violation_comes_out_of_a_child_process() -> None:
    """What broke in a job of a long run is told whole by its parent."""
    seen = Violation("heat outlasts the lease", Instant(7.0, 5.0), "slab known 16", ["says ON"])
    told = copy.copy(seen)  # as a child process hands it over
    assert (str(told), told.what) == (str(seen), seen.what)


def test_slabs_that_contradict_each_other_are_unknown(scene: Scene) -> None:
    """With the air silent as well, blind frost heat is right, though nothing cold was heard."""
    scene.child.kind = "off"
    scene.sensor_mode("slab-1", "fahrenheit", 0.0)
    scene.sensor_mode("air", "silent", 0.0)
    run(scene, 60)
    before = scene.judge.counts["on_ticks"]
    run(scene, 500)
    assert scene.judge.counts["on_ticks"] > before
