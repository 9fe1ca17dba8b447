"""The table of latest readings: what it believes, for how long, and what it says otherwise."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.readings import LatestReadings
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.readings import Condition, Quality, Reading, Rejection
from controller.records.site import Broker, Heater, Relay, Role, Sensor, Site

T0 = Instant(utc_s=1_700_000_000.0, mono_s=5000.0)
LIMITS = Limits()
SLAB = Sensor("slab-1", Role.SLAB, "shed", "shed/slab", "°C")
AIR = Sensor("air-1", Role.AIR, "shed", "shed/air", "°C")


def later(seconds: float, *, utc_step_s: float = 0.0) -> Instant:
    """A moment after T0; the wall clock may have been stepped meanwhile."""
    return Instant(T0.utc_s + seconds + utc_step_s, T0.mono_s + seconds)


@pytest.fixture
def site() -> Site:
    relay = Relay(command_topic="shed/order", leases=True)
    return Site(
        id="site",
        time_zone="Europe/Berlin",
        latitude_deg=52.0,
        longitude_deg=13.0,
        store="state",
        broker=Broker("127.0.0.1", 1883),
        zones=(),
        loops=(),
        heaters=(Heater("boiler", 6000.0, 60.0, loops=("loop",), relay=relay),),
        sensors=(SLAB, AIR),
    )


@pytest.fixture
def table(site) -> LatestReadings:
    return LatestReadings(site)


class Feed:
    """Gives readings of one sensor to a table, numbering them."""

    def __init__(self, table: LatestReadings, sensor: Sensor = SLAB) -> None:
        self.table, self.sensor, self.sequence = table, sensor, 0

    def __call__(
        self,
        value: float,
        at: Instant = T0,
        *,
        measured_s: float | None = None,
        quality: Quality = Quality.GOOD,
    ) -> Reading | None:
        self.sequence += 1
        reading = Reading(
            sensor=self.sensor.id,
            role=self.sensor.role,
            subject=self.sensor.subject,
            value=value,
            measured_s=at.utc_s if measured_s is None else measured_s,
            received_s=at.utc_s,
            received_mono_s=at.mono_s,
            sequence=self.sequence,
            quality=quality,
        )
        return self.table.add(reading)

    def quality(self, value: float, at: Instant) -> Quality:
        kept = self(value, at)
        assert kept is not None
        return kept.quality

    def sensed(self, now: Instant):
        return self.table.sensed([self.sensor], now=now, limits=LIMITS)[0]


@pytest.fixture
def slab(table) -> Feed:
    return Feed(table)


def test_a_sensor_that_never_spoke_is_missing(slab):
    """No value, no age."""
    sensed = slab.sensed(T0)
    assert sensed.condition is Condition.MISSING
    assert (sensed.value, sensed.age_s) == (None, None)
    assert not sensed.trusted


def test_a_reading_is_fresh_until_it_is_stale(slab):
    """Fresh below the limit's age, stale from there on, with its value and age in both cases."""
    slab(12.0)
    sensed = slab.sensed(later(LIMITS.stale_after_s - 0.1))
    assert (sensed.condition, sensed.value) == (Condition.FRESH, 12.0)
    sensed = slab.sensed(later(LIMITS.stale_after_s))
    assert (sensed.condition, sensed.value) == (Condition.STALE, 12.0)
    assert sensed.age_s == LIMITS.stale_after_s


def test_delay_before_receipt_counts_into_the_age(slab):
    """A reading older than the limit is stale on first receipt."""
    slab(12.0, measured_s=T0.utc_s - 601.0)
    sensed = slab.sensed(T0)
    assert (sensed.condition, sensed.age_s) == (Condition.STALE, 601.0)


@pytest.mark.parametrize("step_s", [-86400.0, -3600.0, 3600.0, 86400.0])
def test_no_step_of_the_wall_clock_revives_a_reading(slab, step_s):
    """Age runs on monotonic time: a clock set forward or back changes nothing."""
    slab(12.0)
    assert slab.sensed(later(601.0, utc_step_s=step_s)).condition is Condition.STALE
    assert slab.sensed(later(599.0, utc_step_s=step_s)).condition is Condition.FRESH


@given(st.floats(-1e6, 1e6), st.floats(0.0, 1e5))
def test_age_never_shrinks(step_s, seconds):
    """Whatever the wall clock does, the age is at least the monotonic time since receipt."""
    reading = Reading("s", Role.AIR, "z", 1.0, T0.utc_s, T0.utc_s, T0.mono_s, 1)
    age_s = reading.age_s(later(seconds, utc_step_s=step_s))
    assert age_s == pytest.approx(seconds, abs=1e-9)  # binary fractions


def test_a_clock_set_back_loses_nothing(slab):
    """Readings without a time of their own go on counting as news after a step back."""
    slab(12.0)
    assert slab(12.1, later(60.0, utc_step_s=-3600.0)) is not None
    assert slab.sensed(later(61.0, utc_step_s=-3600.0)).value == 12.1
    assert slab.table.take_rejections() == []


def test_a_repeated_message_stays_as_old_as_it_is_after_a_step_back(slab):
    """The broker repeats a kept message after the clock was set back: it must not look young."""
    slab(12.0, measured_s=T0.utc_s)
    assert slab(12.0, later(700.0, utc_step_s=-700.0), measured_s=T0.utc_s) is None
    assert slab.sensed(later(700.0, utc_step_s=-700.0)).condition is Condition.STALE


def test_a_repeated_message_keeps_its_age(slab):
    """A broker that comes back and repeats what it had kept does not make it younger."""
    slab(12.0, measured_s=T0.utc_s - 100.0)
    assert slab(12.0, later(400.0), measured_s=T0.utc_s - 100.0) is not None
    assert slab.sensed(later(400.0)).age_s == pytest.approx(500.0)
    assert slab.sensed(later(500.0)).condition is Condition.STALE


def test_a_late_reading_is_not_used(slab):
    """One measured before the latest is counted and left out."""
    slab(12.0)
    assert slab(11.0, later(5.0), measured_s=T0.utc_s - 10.0) is None
    assert slab.sensed(later(5.0)).value == 12.0
    [count] = slab.table.take_rejections()
    assert (count.sensor, count.reason, count.count) == ("slab-1", Rejection.OUT_OF_ORDER, 1)


def test_the_same_reading_twice_is_not_used(table):
    """Same sensor, time and sequence: the key of a reading says that it is the same."""
    reading = Reading("slab-1", Role.SLAB, "shed", 12.0, T0.utc_s, T0.utc_s, T0.mono_s, 1)
    assert table.add(reading) is not None
    assert table.add(reading) is None


def test_two_readings_of_one_second_are_two(slab):
    """A sensor whose clock counts whole seconds may speak twice in one."""
    slab(12.0)
    assert slab(12.1, later(0.5), measured_s=T0.utc_s) is not None
    assert slab.sensed(later(1.0)).value == 12.1


def test_a_retained_reading_of_unknown_age_is_never_fresh(slab):
    """It shows its value, without an age, and may not be acted on."""
    slab(12.0, quality=Quality.UNKNOWN_AGE)
    sensed = slab.sensed(T0)
    assert (sensed.condition, sensed.value) == (Condition.UNKNOWN_AGE, 12.0)
    assert sensed.age_s is None
    assert not sensed.trusted


def test_a_retained_reading_does_not_replace_a_live_one(slab):
    """After a reconnect the kept message comes again; the live reading goes on ageing."""
    slab(12.0)
    slab(14.0, later(60.0), quality=Quality.UNKNOWN_AGE)
    assert slab.sensed(later(60.0)).value == 12.0
    assert slab.sensed(later(600.0)).condition is Condition.STALE


@pytest.mark.parametrize("value", [85.0, -127.0, 60.1, 1e9])
def test_a_value_out_of_range_is_unknown(slab, value):
    """It is kept for the record, counted, and does not replace the last good one."""
    slab(12.0)
    kept = slab(value, later(10.0))
    assert kept is not None
    assert (kept.value, kept.quality) == (value, Quality.IMPLAUSIBLE)
    assert slab.sensed(later(10.0)).value == 12.0
    assert slab.table.implausible == {"slab-1": 1}


def test_out_of_range_is_never_believed(slab):
    """Not even after hours."""
    for minute in range(180):
        assert slab.quality(85.0, later(60.0 * minute)) is Quality.IMPLAUSIBLE
    sensed = slab.sensed(later(60.0 * 179))
    assert (sensed.condition, sensed.value) == (Condition.IMPLAUSIBLE, 85.0)


def test_implausible_once_the_good_one_is_stale(slab):
    """Fresh as long as the last good one is; then the sensor is implausible, not just stale."""
    slab(12.0)
    slab(85.0, later(300.0))
    assert slab.sensed(later(599.0)).condition is Condition.FRESH
    assert slab.sensed(later(600.0)).condition is Condition.IMPLAUSIBLE
    assert slab.sensed(later(900.0)).condition is Condition.STALE


def test_a_good_reading_ends_the_doubt(slab):
    """The next plausible reading is fresh again."""
    slab(12.0)
    slab(85.0, later(300.0))
    slab(12.1, later(310.0))
    assert slab.sensed(later(909.0)).condition is Condition.FRESH
    assert slab.sensed(later(910.0)).condition is Condition.STALE


def test_a_spike_is_left_out(slab):
    """One reading far from its neighbours is implausible; those around it are good."""
    qualities = [slab.quality(v, later(10.0 * i)) for i, v in enumerate([12.0, 30.0, 12.1])]
    assert qualities == [Quality.GOOD, Quality.IMPLAUSIBLE, Quality.GOOD]


def test_a_new_level_is_believed_after_ten_minutes(slab):
    """A sensor moved to another place: its new level becomes the truth, once it has lasted."""
    slab(12.0)
    qualities = [slab.quality(30.0, later(60.0 + 30.0 * i)) for i in range(21)]
    assert qualities == [Quality.IMPLAUSIBLE] * 20 + [Quality.GOOD]
    assert slab.sensed(later(660.0)).value == 30.0


def test_a_new_level_is_not_believed_for_having_been_slow_to_come(slab):
    """5 K at once is a fault even though 5 K in five minutes would not be."""
    slab(12.0)
    for second in range(10, 600, 10):
        assert slab.quality(17.0, later(float(second))) is Quality.IMPLAUSIBLE
    assert slab.quality(17.0, later(610.0)) is Quality.GOOD


def test_readings_that_do_not_agree_are_never_a_new_level(slab):
    """A sensor that jumps about stays implausible."""
    slab(12.0)
    for step in range(1, 100):
        value = 30.0 if step % 2 else 45.0
        assert slab.quality(value, later(10.0 * step)) is Quality.IMPLAUSIBLE


def test_an_excursion_out_of_range_starts_the_wait_anew(slab):
    """Ten minutes of agreement must be unbroken."""
    slab(12.0)
    slab(30.0, later(10.0))
    slab(30.0, later(300.0))
    slab(85.0, later(310.0))
    assert slab.quality(30.0, later(320.0)) is Quality.IMPLAUSIBLE
    assert slab.quality(30.0, later(620.0)) is Quality.IMPLAUSIBLE
    assert slab.quality(30.0, later(920.0)) is Quality.GOOD


def test_a_return_to_the_old_level_is_believed_at_once(slab):
    """After minutes of a glitch the sensor shows what it showed before, a little warmer."""
    slab(12.0)
    for second in range(10, 500, 10):
        slab(30.0, later(float(second)))
    assert slab.quality(12.4, later(500.0)) is Quality.GOOD


def test_a_slow_warming_is_never_doubted(slab):
    """2 K an hour in steps of a coarse sensor (0.5 K) is what a slab does."""
    for minute in range(0, 600, 15):
        value = round(2.0 * (10.0 + 2.0 * minute / 60.0)) / 2.0
        assert slab.quality(value, later(60.0 * minute)) is Quality.GOOD


def test_the_first_reading_after_a_silence_may_be_far_away(slab):
    """Hours without a reading leave time for any change."""
    slab(5.0)
    assert slab.quality(25.0, later(3600.0)) is Quality.GOOD


def test_power_is_judged_by_the_rating_of_its_heater(table):
    """A loop's meter and the heater's own go by the same rating."""
    for subject in ("boiler", "loop"):
        meter = Feed(table, Sensor(f"p-{subject}", Role.POWER, subject, "t", "W"))
        assert meter.quality(12_000.0, T0) is Quality.GOOD
        assert meter.quality(12_001.0, later(1.0)) is Quality.IMPLAUSIBLE


def test_sensors_are_told_apart(table):
    """Two sensors of one zone have a condition each, in the order asked for."""
    Feed(table, AIR)(18.0, T0)
    slab, air = table.sensed([SLAB, AIR], now=T0, limits=LIMITS)
    assert (slab.condition, air.condition) == (Condition.MISSING, Condition.FRESH)
    assert (air.sensor, air.role, air.subject, air.value) == ("air-1", Role.AIR, "shed", 18.0)


def test_rejections_are_counted_until_they_are_fetched(table):
    """One row for each sensor and reason, with the latest example; fetched once."""
    table.reject("air-1", Rejection.NOT_JSON, at_s=1.0, example="{")
    table.reject("air-1", Rejection.NOT_JSON, at_s=2.0, example="[")
    table.reject("air-1", Rejection.TOO_LARGE, at_s=3.0, example="x")
    counts = {c.reason: (c.count, c.last_s, c.example) for c in table.take_rejections()}
    assert counts == {Rejection.NOT_JSON: (2, 2.0, "["), Rejection.TOO_LARGE: (1, 3.0, "x")}
    assert table.take_rejections() == []


@given(st.lists(st.tuples(st.floats(-200, 200), st.floats(0, 900)), min_size=1, max_size=40))
def test_only_values_in_range_are_ever_trusted(history):
    """Whatever comes, a trusted slab reading lies in the slab's range and is young enough."""
    relay = Relay(command_topic="c", leases=True)
    heater = Heater("h", 1.0, 60.0, loops=(), relay=relay)
    table = LatestReadings(
        Site("s", "UTC", 0.0, 0.0, "st", Broker("b", 1), (), (), (heater,), (SLAB,))
    )
    feed, now_s = Feed(table), 0.0
    for value, pause_s in history:
        feed(value, later(now_s))
        now_s += pause_s
        sensed = feed.sensed(later(now_s))
        if sensed.trusted:
            assert -30.0 <= sensed.value <= 60.0
            assert sensed.age_s < LIMITS.stale_after_s


def test_a_slab_that_jumps_above_its_limit_is_not_heated_on(slab):
    """Too fast to be believed and too hot to be ignored: unknown at once, fresh when it returns."""
    slab(20.0)
    slab(45.0, later(10.0))
    assert slab.sensed(later(10.0)).condition is Condition.IMPLAUSIBLE
    slab(20.1, later(20.0))
    assert slab.sensed(later(20.0)).condition is Condition.FRESH


def test_a_hot_slug_in_the_supply_is_seen_at_once(table):
    """When the pump starts, hot water reaches a cold pipe within seconds: the limit must see it."""
    supply = Feed(table, replace(SLAB, id="supply-1", role=Role.SUPPLY))
    supply(20.0)
    supply(70.0, later(3.0))
    sensed = supply.sensed(later(3.0))
    assert (sensed.condition, sensed.value) == (Condition.FRESH, 70.0)
