"""Readings on their way in: what the tick sees, what the store gets, what the owner is told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import pytest

from controller import intake as intake_module
from controller.intake import IMPLAUSIBLE_MAX, PENDING_MAX, RECENT_S, STORE_S, Intake
from controller.records.decision import NoticeKind
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.readings import Condition, Quality, Reading, Rejection, RejectionCount
from controller.sensors.decode import Message
from controller.store.failures import StoreFailed
from tests.controller.builders import START, later, make_site


class Wire:
    """Messages that have arrived since the last look."""

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.lost: dict[str, int] = {}
        self._sequence = 0

    def say(self, sensor: str, payload: str, at: Instant, *, retained: bool = False) -> None:
        self._sequence += 1
        topic = f"workshop/{sensor}"
        message = Message(topic, payload.encode(), retained, at, self._sequence)
        self.messages.append(message)

    def drain(self) -> Sequence[Message]:
        drained, self.messages = self.messages, []
        return drained

    def take_lost(self) -> Mapping[str, int]:
        lost, self.lost = self.lost, {}
        return lost


class Shelf:
    """A store of readings in memory, which can be made to fail."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.counts: list[RejectionCount] = []
        self.batches = 0
        self.fails = self.counts_fail = False

    def add_readings(self, readings: Sequence[Reading]) -> None:
        if self.fails:
            raise StoreFailed("disk full")
        self.readings += readings
        self.batches += 1

    def count_rejections(self, counts: Sequence[RejectionCount]) -> None:
        if self.counts_fail:
            raise StoreFailed("disk full")
        self.counts += counts


class Door:
    """An intake with its wire and its store."""

    def __init__(self) -> None:
        self.site = make_site()
        self.wire, self.shelf = Wire(), Shelf()
        self.intake = Intake(self.site, self.wire)

    def take(self, seconds: float, *, at_once: bool = False) -> list[str]:
        """Take in what has come; gives the texts of the notices."""
        found = self.intake.take(later(seconds), self.shelf, at_once=at_once)
        kinds = {NoticeKind.READINGS_REJECTED, NoticeKind.READINGS_LOST}
        assert all(n.kind in kinds and n.alarm for n in found)
        return [notice.text for notice in found]

    def air(self, seconds: float) -> tuple[Condition, float | None]:
        sensed = self.intake.sensed(self.site.sensors, Limits(), later(seconds))
        found = next(s for s in sensed if s.sensor == "bay-air")
        return found.condition, found.value


@pytest.fixture
def door() -> Door:
    return Door()


def test_a_message_is_a_reading_for_the_same_tick(door: Door) -> None:
    """What arrived before a tick counts in it."""
    assert door.air(0.0) == (Condition.MISSING, None)
    door.wire.say("bay-air", "14.5", START)
    assert door.take(5.0) == []
    assert door.air(5.0) == (Condition.FRESH, 14.5)


def test_readings_go_to_the_store_in_batches(door: Door) -> None:
    """Once a minute all that came since, and at once when the planner is about to look."""
    door.take(0.0)
    batches = door.shelf.batches
    door.wire.say("bay-air", "14.5", later(5.0))
    door.take(10.0)
    assert (door.shelf.batches, door.shelf.readings) == (batches, [])
    door.take(STORE_S)
    assert [r.value for r in door.shelf.readings] == [14.5]
    door.wire.say("bay-air", "14.6", later(65.0))
    door.take(70.0, at_once=True)
    assert [r.value for r in door.shelf.readings] == [14.5, 14.6]


def test_a_busy_sensor_is_thinned_for_the_store_alone(door: Door) -> None:
    """A value each second is seen by every tick, and kept about once a minute."""
    for second in range(600):
        door.wire.say("bay-air", f"{14.0 + second / 1000:.3f}", later(second))
        door.take(second)
    assert door.air(599.0) == (Condition.FRESH, 14.599)
    door.take(600.0, at_once=True)
    assert 10 <= len(door.shelf.readings) <= 12  # one each 55 s


def test_every_implausible_reading_is_kept_and_told(door: Door) -> None:
    """A value that cannot be true is stored as such, told for an hour, and never acted on."""
    door.wire.say("bay-air", "14.5", START)
    door.wire.say("bay-air", "85.0", later(1.0))
    (text,) = door.take(2.0, at_once=True)
    assert "bay-air: implausible" in text
    assert [r.quality for r in door.shelf.readings] == [Quality.GOOD, Quality.IMPLAUSIBLE]
    assert door.air(2.0) == (Condition.FRESH, 14.5)
    assert door.take(RECENT_S) != []
    assert door.take(RECENT_S + 2.0) == []


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ("nan", Rejection.NOT_FINITE),
        ("unavailable", Rejection.NOT_A_NUMBER),
        ("", Rejection.NOT_A_NUMBER),
    ],
)
def test_a_refused_payload_is_told_and_counted(door: Door, payload: str, reason: Rejection) -> None:
    """A payload that gives no reading is named with its reason, and its count is stored."""
    door.wire.say("bay-air", payload, START)
    (text,) = door.take(1.0, at_once=True)
    assert f"bay-air: {reason.value}" in text
    assert [(c.sensor, c.reason, c.count) for c in door.shelf.counts] == [("bay-air", reason, 1)]
    assert door.air(1.0) == (Condition.MISSING, None)


def test_retained_values_without_a_time_are_never_fresh(door: Door) -> None:
    """What the broker had kept is of unknown age, for the tick as for the store."""
    door.wire.say("bay-air", "14.5", START, retained=True)
    door.take(1.0, at_once=True)
    assert door.air(1.0) == (Condition.UNKNOWN_AGE, 14.5)
    assert [r.quality for r in door.shelf.readings] == [Quality.UNKNOWN_AGE]


def test_a_store_that_fails_loses_nothing_and_hides_nothing(door: Door) -> None:
    """Readings count for their tick all the same, and go to the store when it is back."""
    door.shelf.fails = True
    door.wire.say("bay-air", "14.5", START)
    with pytest.raises(StoreFailed):
        door.take(1.0, at_once=True)
    assert door.air(1.0) == (Condition.FRESH, 14.5)
    door.wire.say("bay-air", "14.6", later(60.0))
    with pytest.raises(StoreFailed):
        door.take(61.0)
    door.shelf.fails = False
    door.take(70.0)
    assert [r.value for r in door.shelf.readings] == [14.5, 14.6]


def test_what_is_kept_back_is_bounded(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    """While the store fails for long, the oldest readings go first."""
    assert PENDING_MAX > 1000
    monkeypatch.setattr(intake_module, "PENDING_MAX", 3)
    door.shelf.fails = True
    for minute in range(5):
        door.wire.say("bay-air", f"{14 + minute / 10:.1f}", later(60.0 * minute))
        with pytest.raises(StoreFailed):
            door.take(60.0 * minute, at_once=True)
    door.shelf.fails = False
    (text,) = door.take(300.0, at_once=True)
    assert [r.value for r in door.shelf.readings] == [14.2, 14.3, 14.4]
    assert "bay-air: 2" in text
    assert lost_of(door) == {"bay-air": 2}


def lost_of(door: Door) -> dict[str, int]:
    """What the store has been told of lost readings, by sensor."""
    found: Counter[str] = Counter()
    for count in door.shelf.counts:
        if count.reason is Rejection.LOST_UNDER_LOAD:
            found[count.sensor] += count.count
    return dict(found)


def test_what_was_given_up_unread_is_told_and_counted(door: Door) -> None:
    """By sensor, in the notices for an hour and in the store for good."""
    door.wire.lost = {"workshop/bay-air": 4711}
    (text,) = door.take(1.0, at_once=True)
    assert "bay-air: more than 2000" in text
    assert lost_of(door) == {"bay-air": 4711}
    assert door.take(RECENT_S) == [text]
    assert door.take(RECENT_S + 1.0) == []


def test_a_notice_of_losses_does_not_change_at_each_tick(door: Door) -> None:
    """Each change of a notice is a row of the record: ten minutes of flood make a dozen."""
    texts = []
    for second in range(0, 600, 10):
        door.wire.lost = {"workshop/bay-air": 30_000}
        texts += door.take(second)
    assert len(texts) == 60
    assert len(set(texts)) <= 12
    assert "bay-air: more than 1000000" in texts[-1]


def test_a_flood_of_implausible_readings_does_not_fill_the_store(door: Door) -> None:
    """Some of each minute are kept, the others are counted."""
    door.take(0.0)
    for _ in range(5000):
        door.wire.say("bay-air", "85.0", later(1.0))
        door.wire.say("bay-slab", "9.5", later(1.0))
    door.take(2.0, at_once=True)
    implausible = [r for r in door.shelf.readings if r.quality is Quality.IMPLAUSIBLE]
    assert len(implausible) == IMPLAUSIBLE_MAX
    assert lost_of(door) == {"bay-air": 5000 - IMPLAUSIBLE_MAX}
    assert len(door.shelf.readings) == IMPLAUSIBLE_MAX + 1


def test_counts_outlast_a_store_that_fails(door: Door) -> None:
    """What could not be written is offered again, and counted once."""
    door.wire.say("bay-air", "nan", START)
    door.shelf.counts_fail = True
    with pytest.raises(StoreFailed):
        door.take(1.0, at_once=True)
    door.shelf.counts_fail = False
    door.wire.say("bay-air", "nan", later(2.0))
    door.take(70.0, at_once=True)
    assert [(c.reason, c.count) for c in door.shelf.counts] == [(Rejection.NOT_FINITE, 2)]
