"""Foresight is the least: against hand-made cases, against other methods, and within the limits."""

import itertools
from collections.abc import Callable, Mapping

import numpy as np
import pytest

from controller.records.limits import Limits
from controller.records.sessions import Session
from controller.records.site import Site
from controller.rehearsal.building import Building, BuildingError
from controller.rehearsal.controller_driver import Rehearsed
from controller.rehearsal.diary import Diary
from controller.rehearsal.foresight import (
    SLOT_MINUTES,
    Foresight,
    foresight,
    reachable_sessions,
)
from controller.rehearsal.foresight_linear import Boiler, boiler_of, climate, linearised
from controller.rehearsal.foresight_programme import (
    GRID_MINUTES,
    SHORT_H_PER_KH,
    Known,
    Response,
    Row,
    least_heat,
    response_of,
)
from controller.rehearsal.foresight_trace import EvenDoors, Trace, carry_out
from controller.rehearsal.foresight_watches import Place, Watch
from controller.rehearsal.others import FixedStart
from controller.rehearsal.runner import Driver, Span, run
from controller.rehearsal.score import SessionScore, Totals, score_sessions, total
from controller.rehearsal.season import workshop_maker
from controller.rehearsal.weather import Weather
from controller.rehearsal.workshop import Workshop

from .conftest import DAY_S, HOUR_S, START_S

RATING_W = 1000.0
NO_BOILER = Boiler(np.zeros(1), 0.0)
FIRST_DAY = int(START_S // DAY_S)


def hand_made(*, decay: float, against_k: float = 0.0, slots: int = 6) -> Response:
    """A kelvin of air at once for a slot of full heat, of which each slot leaves ``decay``."""
    grid = np.arange(slots * SLOT_MINUTES // GRID_MINUTES + 1) * GRID_MINUTES / SLOT_MINUTES
    air = np.where(grid > 0, decay ** np.maximum(grid - 1.0, 0.0), 0.0) / RATING_W
    against = against_k * (grid > 0) / RATING_W
    return Response({Place.AIR: air[None, :]}, against, SLOT_MINUTES)


def wanted(slot_border: int, kelvin: float, hours: float = 10.0) -> Row:
    """Air wanted so warm at a slot's border, in a course without heat that stays at 0 °C."""
    minute = slot_border * SLOT_MINUTES
    return Row(Watch(Place.AIR, 0, minute, minute, kelvin, True, hours), minute, 0.0)


def unheated(rows: list[Row], slots: int = 6) -> Known:
    return Known(np.zeros(slots), rows, np.full(slots, np.inf), np.zeros(0, dtype=np.intp))


def test_what_fades_is_heated_as_late_as_the_rating_allows() -> None:
    """The optimum by hand: the last slots full, then the part of one that is still missing."""
    planned = least_heat(
        unheated([wanted(6, 2.0)]), hand_made(decay=0.8), NO_BOILER, rating_w=RATING_W
    )
    missing = (2.0 - 1.0 - 0.8) / 0.8**2
    expected = np.array([0.0, 0.0, 0.0, missing, 1.0, 1.0])
    # a response under 0.3 % of its peak is left out of a row: none is, so the solver's own 1e-6
    assert planned.heat_w / RATING_W == pytest.approx(expected, abs=1e-6)
    assert planned.values_c == pytest.approx([2.0], abs=1e-6)


def test_two_wishes_cost_what_a_search_over_all_heatings_finds() -> None:
    """No heating in steps of a quarter is cheaper, and the best of them is little dearer."""
    rows = [wanted(3, 1.25), wanted(6, 1.5)]
    response = hand_made(decay=0.7)
    planned = least_heat(unheated(rows), response, NO_BOILER, rating_w=RATING_W)
    effects = np.array(
        [response.row(response.places[Place.AIR][0], r.minute, 6).toarray()[0] for r in rows]
    )
    heats = np.array(list(itertools.product(np.arange(5) / 4.0, repeat=6)))
    met = (heats @ effects.T * RATING_W >= np.array([1.25, 1.5]) - 1e-9).all(axis=1)
    best = heats[met].sum(axis=1).min()
    found = planned.heat_w.sum() / RATING_W
    assert best - 0.5 <= found <= best  # two wishes, each met by at most a quarter too much
    assert planned.values_c == pytest.approx([1.25, 1.5], abs=1e-6)


@pytest.mark.parametrize(("times", "heated"), [(0.5, 0.0), (2.0, 1.0)])
def test_shortfall_costs_eight_hours_of_full_heat_a_kelvin_hour(
    times: float, heated: float
) -> None:
    """A wish is met where its shortfall costs twice its heat, and let go where it costs half."""
    hours = times * (SLOT_MINUTES / 60.0) / SHORT_H_PER_KH  # a slot of full heat makes one kelvin
    planned = least_heat(
        unheated([wanted(6, 1.0, hours)]), hand_made(decay=0.8), NO_BOILER, rating_w=RATING_W
    )
    assert planned.heat_w.sum() / RATING_W == pytest.approx(heated, abs=1e-6)


def test_the_thermostat_bounds_heat_by_what_earlier_heat_has_warmed() -> None:
    """P + UA r sum(P) <= UA (limit - T) holds in each slot, solved by hand for two slots."""
    rows = [wanted(2, 9.0)]  # out of reach: all that can be given is given
    known = Known(np.zeros(2), rows, np.full(2, 900.0), np.arange(2))
    boiler = Boiler(np.zeros(1), 50.0)
    response = hand_made(decay=1.0, against_k=4.0, slots=2)
    planned = least_heat(known, response, boiler, rating_w=RATING_W)
    first_w = 900.0 / 1.2  # UA r = 50 * 4 / 1000 = 0.2
    assert planned.heat_w == pytest.approx([first_w, (900.0 - 0.2 * first_w) / 1.2], rel=1e-6)


@pytest.fixture(scope="module")
def sessions() -> tuple[Session, ...]:
    def session(day: int, target_c: float) -> Session:
        start_s = START_S + day * DAY_S + 14 * HOUR_S
        return Session(f"s{day}", "bench", start_s, start_s + 4 * HOUR_S, target_c)

    return (session(2, 17.0), session(5, 18.0), session(9, 19.0))


SPAN = Span(START_S, START_S + 10 * DAY_S, 60.0)


@pytest.fixture(scope="module")
def rehearsed(site: Site, sessions: tuple[Session, ...]) -> Rehearsed:
    return Rehearsed(site, site.heaters[0], Limits(), sessions, 900.0)


@pytest.fixture(scope="module")
def make(rehearsed: Rehearsed, winter: Weather) -> Callable[[], Building]:
    return workshop_maker(rehearsed, winter, start_s=START_S, seed=3, spread=0.2)


@pytest.fixture(scope="module")
def found(make: Callable[[], Building], rehearsed: Rehearsed) -> Foresight:
    return foresight(make, rehearsed, SPAN, lambda share: None)


def workshop_of(make: Callable[[], Building]) -> Workshop:
    made = make()
    assert isinstance(made, Workshop)
    return made


def even(workshop: Workshop, sessions: tuple[Session, ...]) -> EvenDoors:
    return EvenDoors(workshop.surroundings, sessions, range(FIRST_DAY, FIRST_DAY + 10))


def scored(
    make: Callable[[], Building], rehearsed: Rehearsed, driver: Driver
) -> tuple[tuple[SessionScore, ...], Totals]:
    diary = Diary(rehearsed.heater, ["bench"])
    run(make(), driver, SPAN, diary=diary, spec="workshop", progress=lambda share: None)
    scores = score_sessions(diary, rehearsed.sessions, {}, start_s=START_S)
    return scores, total("method", diary, scores, start_s=START_S)


def test_foresight_is_ready_for_less_than_any_fixed_start(
    make: Callable[[], Building], rehearsed: Rehearsed, found: Foresight
) -> None:
    """All sessions in reach start within 0.1 K of ready, and no fixed start that does is cheaper.

    The 0.1 K are the real doors', of which foresight knows the mean.
    """
    scores, totals = scored(make, rehearsed, found)
    reachable = reachable_sessions(make, rehearsed, SPAN, lambda share: None)
    assert len(reachable) == 3
    assert reachable <= found.ready
    for score in scores:
        assert score.actual_c >= score.target_c - 0.5 - 0.1
    for hours in (12.0, 24.0, 48.0):
        method = FixedStart(rehearsed.limits, rehearsed.sessions, ["bench"], margin=hours)
        _, other = scored(make, rehearsed, method)
        assert totals.energy_kwh < other.energy_kwh or other.ready < 3


def test_foresight_repeats_itself(
    make: Callable[[], Building], rehearsed: Rehearsed, found: Foresight
) -> None:
    """The same case gives the same minutes, and the driver is off outside its span."""
    again = foresight(make, rehearsed, SPAN, lambda share: None)
    assert (again.on == found.on).all()
    assert not found.heat(START_S - 60.0, {})
    assert not found.heat(SPAN.end_s, {})


class Watched:
    """A driver that keeps the highest surface and slab, in sessions and outside."""

    def __init__(self, driver: Driver, sessions: tuple[Session, ...]) -> None:
        self._driver, self._sessions = driver, sessions
        self.building: Workshop | None = None
        self.highest = {True: -100.0, False: -100.0}
        self.slab_c = -100.0

    def heat(self, now_s: float, values: Mapping[str, float]) -> bool:
        assert self.building is not None
        truth = self.building.truth()
        busy = any(s.start_s <= now_s <= s.end_s for s in self._sessions)
        self.highest[busy] = max(self.highest[busy], truth["floor_surface"])
        self.slab_c = max(self.slab_c, truth["slab"])
        return self._driver.heat(now_s, values)


def test_limits_hold_where_the_target_would_need_more(
    site: Site, winter: Weather, rehearsed: Rehearsed
) -> None:
    """With the floor's surface limited to 20 °C in sessions 19 °C air is missed, not the limit."""
    tight = Rehearsed(
        site, rehearsed.heater, Limits(surface_session_max_c=20.0), rehearsed.sessions, 900.0
    )
    make = workshop_maker(tight, winter, start_s=START_S, seed=3, spread=0.2)
    found = foresight(make, tight, SPAN, lambda share: None)
    watched = Watched(found, tight.sessions)

    def watched_building() -> Building:
        watched.building = workshop_of(make)
        return watched.building

    scored(watched_building, tight, watched)
    # 0.15 K are tolerated between plan and course, the rest is the sun through the window
    assert watched.highest[True] <= 20.0 + 0.4
    assert watched.slab_c <= 40.0
    assert any(line.startswith("session s9") for line in found.missed)
    assert "s9" not in found.ready


def test_doors_count_with_their_mean_alone(
    make: Callable[[], Building], sessions: tuple[Session, ...]
) -> None:
    """Doors have the same sum over the span but no events; sun and people stay as they are."""
    workshop = workshop_of(make)
    true, evened = workshop.surroundings, even(workshop, sessions)
    opened, even_opened = [], []
    for number in range(FIRST_DAY, FIRST_DAY + 10):
        real, known = true.day(number).zones[0], evened.day(number).zones[0]
        assert (known.sun_w, known.gains_w) == (real.sun_w, real.gains_w)
        opened.append(real.door)
        even_opened.append(known.door)
    assert np.sum(even_opened) == pytest.approx(np.sum(opened), rel=1e-9)
    away = np.array(even_opened[0])  # no session on the first day
    assert away.min() == away.max() > 0.0


def carried_out(
    make: Callable[[], Building], sessions: tuple[Session, ...], plan_w: np.ndarray
) -> tuple[Trace, Response]:
    workshop = workshop_of(make)
    linear = linearised(workshop, climate(workshop, start_s=START_S, end_s=SPAN.end_s))
    boiler = boiler_of(workshop, linear)
    response = response_of(
        linear, workshop.structure, boiler, slot_minutes=SLOT_MINUTES, memory_days=3.0
    )
    workshop.meet(even(workshop, sessions))
    return carry_out(workshop, plan_w, slot_minutes=SLOT_MINUTES, boiler=boiler), response


def test_a_plan_is_carried_out_to_a_minute_of_full_heat(
    make: Callable[[], Building], sessions: tuple[Session, ...]
) -> None:
    """Each slot gets its mean heat, by whole minutes on and off."""
    rating_w = workshop_of(make).heater.rating_w
    plan_w = rating_w * np.array([0.0, 1.0, 0.51, 0.03, 0.0, 0.9])
    trace, _ = carried_out(make, sessions, plan_w)
    delivered_w = trace.slot_means_w(SLOT_MINUTES)
    assert np.abs(np.cumsum(delivered_w - plan_w)).max() <= rating_w / SLOT_MINUTES


def test_the_response_tells_what_more_heat_does_to_the_building(
    make: Callable[[], Building], sessions: tuple[Session, ...]
) -> None:
    """Two hours of heat more in a heated room: air within 10 % of what the rows foretell.

    10 %: convection off the floor and air exchange are tangents at one working point.
    """
    rating_w = workshop_of(make).heater.rating_w
    plan_w = np.full(96, 0.4 * rating_w)
    base, response = carried_out(make, sessions, plan_w)
    more_w = plan_w.copy()
    more_w[48:52] += 0.5 * rating_w
    heated, _ = carried_out(make, sessions, more_w)
    added_w = heated.slot_means_w(SLOT_MINUTES) - base.slot_means_w(SLOT_MINUTES)
    for border in (56, 72, 96):
        minute = border * SLOT_MINUTES
        foretold_k = (response.row(response.places[Place.AIR][0], minute, 96) @ added_w).item()
        assert heated.air_c[minute, 0] - base.air_c[minute, 0] == pytest.approx(foretold_k, rel=0.1)


def test_a_building_from_outside_is_refused(rehearsed: Rehearsed) -> None:
    """Nobody can plan on a building whose inside is not known."""

    class Shed:
        pass

    with pytest.raises(BuildingError, match="own workshop"):
        foresight(Shed, rehearsed, SPAN, lambda share: None)
