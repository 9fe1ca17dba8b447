"""The comparison's figures follow their definitions, worked out by hand here."""

import pytest

from tests.bench.equal_readiness import Point, against_true_model, energy_at
from tests.bench.figures import Beside, figures_of, pooled
from tests.bench.jobs import FORESIGHT, OWN, TRUE_MODEL, Job, Season
from tests.bench.made_up import held, served
from tests.bench.served import DAY_S, Served

SEASON = Season("heavy", "hamburg", 1, 20)


def test_ready_is_half_a_kelvin_below_target_at_most() -> None:
    """18.5 °C is ready for 19 °C, 18.49 °C is not."""
    sessions = [held("a", start_c=18.5), held("b", start_c=18.49)]
    found = figures_of([Beside(served(sessions), served(sessions, reachable=["a", "b"]))])
    assert (found.judged.sessions, found.judged.ready) == (2, 1)


def test_only_sessions_that_foresight_reaches_count() -> None:
    """A session out of a weaker heater's reach is neither ready nor late."""
    sessions = [held("a"), held("b", start_c=12.0)]
    found = figures_of([Beside(served(sessions), served(sessions, reachable=["a"]))])
    assert found.judged.ready_share == 1.0


def test_first_two_weeks_are_apart() -> None:
    """Sessions and energy of the first 14 days count there alone."""
    sessions = [held("early", start_c=10.0, at_s=13.9 * DAY_S), held("late")]
    own = served(sessions, day_kwh=12.0)
    found = figures_of([Beside(own, served(sessions, reachable=["early", "late"]))])
    assert (found.first.ready_share, found.judged.ready_share) == (0.0, 1.0)
    assert found.first.energy_kwh == pytest.approx(14 * 12.0)
    assert found.judged.energy_kwh == pytest.approx(6 * 12.0)
    assert found.judged.energy_ratio == pytest.approx(1.2)


def test_overshoot_is_beyond_target_and_beyond_foresight() -> None:
    """Only what lies above both counts: 2 K over a target that foresight passes by 1.5 K is 0.5."""
    own = served([held("a", highest_c=21.0)])
    best = served([held("a", highest_c=20.5)], reachable=["a"])
    assert figures_of([Beside(own, best)]).overshoot_k == pytest.approx(0.5)


def test_overshoot_below_foresight_is_none() -> None:
    """A room that stays cooler than foresight's has no overshoot, not a negative one."""
    own = served([held("a", highest_c=20.0)])
    best = served([held("a", highest_c=20.5)], reachable=["a"])
    assert figures_of([Beside(own, best)]).overshoot_k == 0.0


def test_shortfall_is_beyond_foresight_session_by_session() -> None:
    """One session's gain over foresight does not make up for another's loss."""
    own = served([held("a", shortfall_kh=0.5), held("b", shortfall_kh=0.0)])
    best_sessions = [held("a", shortfall_kh=0.1), held("b", shortfall_kh=0.4)]
    best = served(best_sessions, reachable=["a", "b"])
    assert figures_of([Beside(own, best)]).shortfall_kh == pytest.approx(0.2)


def test_interval_counts_sessions_with_a_prediction() -> None:
    """Share held and width come from what was predicted; nothing predicted gives none."""
    own = served([held("a", ahead=(18.0, 20.0)), held("b", ahead=(19.5, 20.5)), held("c")])
    found = figures_of([Beside(own, served(own.sessions, reachable=["a", "b", "c"]))])
    assert found.ahead is not None
    assert (found.ahead.sessions, found.ahead.held) == (2, 0.5)
    assert found.ahead.width_k == pytest.approx(1.5)
    assert found.committed is None


def test_cold_counts_where_foresight_keeps_five_degrees() -> None:
    """Hours in which foresight is colder, or a session ran, say nothing of a method."""
    own = served([], coldest_c=(6.0, 3.0, None))
    best = served([], coldest_c=(5.0, 4.9, 5.5))
    assert figures_of([Beside(own, best)]).coldest_c == 6.0


def test_pooling_takes_seasons_that_were_run() -> None:
    """Seasons without a run, or without foresight, are left out and counted so."""
    other = Season("thin", "hamburg", 2, 20)
    run = served([held("a")], reachable=["a"])
    results = {Job(SEASON, FORESIGHT): run, Job(SEASON, OWN, True, 95.0): run}
    found = pooled(results, [SEASON, other], OWN, forecast=True, margin=95.0)
    assert found is not None
    assert found.seasons == 1
    assert pooled(results, [other], OWN, forecast=True, margin=95.0) is None


@pytest.mark.parametrize(("ready", "energy"), [(0.90, 1.0), (0.95, 1.1), (1.0, 1.2), (0.89, None)])
def test_energy_at_a_readiness_is_linear_between_points(ready: float, energy: float | None) -> None:
    """Half way between two points lies the mean of their energies; outside there is none."""
    curve = [Point(1.0, 1.2), Point(0.9, 1.0), Point(0.9, 1.05)]
    assert energy_at(curve, ready) == (None if energy is None else pytest.approx(energy))


def _with_ready(share: float, day_kwh: float) -> Served:
    cold = round(20 * (1.0 - share))
    sessions = [held(str(n), start_c=10.0 if n < cold else 19.0) for n in range(20)]
    return served(sessions, day_kwh=day_kwh, reachable=[str(n) for n in range(20)])


def test_true_model_is_met_at_equal_readiness() -> None:
    """At 95 %, between 90 % at 1.0 and 100 % at 1.2, an energy of 1.155 is 5 % more."""
    results = {
        Job(SEASON, FORESIGHT): _with_ready(1.0, 10.0),
        Job(SEASON, OWN, True, 95.0): _with_ready(0.95, 11.55),
        Job(SEASON, TRUE_MODEL, True, 0.5): _with_ready(0.9, 10.0),
        Job(SEASON, TRUE_MODEL, True, 1.5): _with_ready(1.0, 12.0),
    }
    found = against_true_model(results, [SEASON], forecast=True)
    assert found is not None
    assert found.ratio == pytest.approx(1.05)
    assert against_true_model(results, [SEASON], forecast=False) is None
