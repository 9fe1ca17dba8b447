"""Each rung of the fallback chain holds when those above it fail, and is on record."""

from __future__ import annotations

from contextlib import closing

from controller.records.plan import Rung
from controller.store import open_writer
from tests.controller.builders import make_parameters
from tests.faults.bench import ZONE
from tests.faults.pacing import Paced

STALE_TICKS = 75
"""A reading is unknown after ten minutes."""
SOON = "bookings: {bench: {date: 2027-01-13, start: 08:30, end: 16:00, target: 16}}\n"
LATE = "bookings: {bench: {date: 2027-01-13, start: 22:00, end: 23:00, target: 16}}\n"
NOW = "bookings: {bench: {date: 2027-01-13, start: 06:00, end: 16:00, target: 16}}\n"


def rung_and_contact(paced: Paced) -> tuple[Rung, bool]:
    """What the record says of the last decision, and what the relay does."""
    return paced.workshop.last().wish.rung, paced.workshop.relay.closed


def test_each_rung_holds_when_those_above_have_failed(paced: Paced) -> None:
    """Programme, lead time, thermostat, frost protection: one after the other, in one service."""
    workshop = paced.workshop
    keep_parameters(paced)
    workshop.book(SOON)
    workshop.plan()
    paced.start()
    paced.tick_until(heating=True)
    assert rung_and_contact(paced) == (Rung.PROGRAMME, True)

    workshop.plan_by("sys.exit('no plan today')")
    workshop.book(LATE)  # the timetable was made for other bookings
    paced.tick(40)
    assert rung_and_contact(paced) == (Rung.LEAD_TIME, False)
    workshop.book(SOON.replace("16}", "17}"))
    paced.tick(40)
    assert rung_and_contact(paced) == (Rung.LEAD_TIME, True)

    del workshop.values["north-wall"]  # without outdoor air there is no lead time
    paced.tick(STALE_TICKS)
    assert rung_and_contact(paced) == (Rung.FROST_ONLY, False)  # no session runs
    workshop.book(NOW)
    paced.tick(40)
    assert rung_and_contact(paced) == (Rung.THERMOSTAT, True)

    del workshop.values["bay-air"]  # without room air there is no thermostat
    paced.tick(STALE_TICKS + 120)  # its running median goes on for twenty minutes
    assert rung_and_contact(paced) == (Rung.FROST_ONLY, False)
    workshop.values["loop-return"] = 3.0
    paced.tick(8)
    assert rung_and_contact(paced) == (Rung.FROST_ONLY, True)
    assert workshop.last().deciding.rule == "frost_protection"


def test_a_timetable_ends_after_six_hours(paced: Paced) -> None:
    """While the planner is dead the last timetable serves, but not beyond its time."""
    workshop = paced.workshop
    workshop.book(LATE)
    keep_parameters(paced)
    with closing(open_writer(workshop.store)) as store:
        store.add_plan(workshop.timetable(made_ago_s=5 * 3600.0 + 50 * 60.0))
    workshop.plan_by("sys.exit('no plan today')")
    paced.start()
    paced.tick_until(heating=True)
    assert rung_and_contact(paced) == (Rung.PROGRAMME, True)
    paced.tick(40)
    assert rung_and_contact(paced) == (Rung.LEAD_TIME, False)


def keep_parameters(paced: Paced) -> None:
    """Put a learnt response into the store, which the lead time needs."""
    paced.workshop.store.mkdir(exist_ok=True)
    with closing(open_writer(paced.workshop.store)) as store:
        store.add_parameters(make_parameters(ZONE))
