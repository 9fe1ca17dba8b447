"""The workshop's forecast has the skill it is said to have, and keeps its word between issues."""

from collections.abc import Mapping
from datetime import datetime

import numpy as np
import pytest
from numpy.typing import NDArray

from controller.records.site import Site
from controller.rehearsal.building import Forecasting
from controller.rehearsal.issued_forecast import ForecastingWorkshop, IssuedForecast
from controller.rehearsal.weather import Station, Weather
from controller.rehearsal.workshop import Workshop

HOUR_S = 3600.0
ISSUE_S = 6 * HOUR_S
START_S = datetime.fromisoformat("2025-01-13T00:00+00:00").timestamp()
NIGHT_C, SUN_W_M2, WIND_M_S = 3.0, 100.0, 4.0
Points = list[tuple[datetime, Mapping[str, float]]]


@pytest.fixture(scope="module")
def steady_weather() -> Weather:
    """The same temperature, wind and faint light at every hour: what differs is the error."""
    hours = int(START_S // HOUR_S)
    rows = {hours + h: (NIGHT_C, SUN_W_M2, WIND_M_S) for h in range(-48, 24 * 250)}
    return Weather("steady", Station(0.0, 0.0, 0.0), typical=False, rows=rows)


@pytest.fixture(scope="module")
def errors_k(steady_weather: Weather) -> NDArray[np.float64]:
    """Outdoor errors by issue and lead, shape (800, 169): 800 issues of eight seeds."""
    rows = []
    for seed in range(8):
        told = IssuedForecast(steady_weather, seed=seed)
        for number in range(100):
            points = told.at(START_S + number * ISSUE_S, 168.0)
            rows.append([values["outdoor"] - NIGHT_C for _, values in points])
    return np.array(rows)


@pytest.mark.parametrize(
    ("lead_h", "sd_k"), [(0, 0.8), (24, 0.8 + 1.7 / 3), (48, 0.8 + 3.4 / 3), (72, 2.5), (168, 2.5)]
)
def test_outdoor_error_grows_to_its_full_size_in_three_days(
    errors_k: NDArray[np.float64], lead_h: int, sd_k: float
) -> None:
    """Standard deviation 0.8 K at first, 2.5 K from 72 h on, evenly between; mean zero.

    An issue shares much with its neighbours: 800 hold about 140 independent ones, so the standard
    deviation is known to 6 % and the mean to 8 % of it; three times that is allowed.
    """
    at_lead = errors_k[:, lead_h]
    assert at_lead.std() == pytest.approx(sd_k, rel=0.18)
    assert abs(at_lead.mean()) < 0.25 * sd_k


def test_error_is_red_along_the_hours(errors_k: NDArray[np.float64]) -> None:
    """Neighbouring hours are nearly equally wrong, those two days apart are hardly related."""
    late = errors_k[:, 72:]
    near = np.corrcoef(late[:, :-1].ravel(), late[:, 1:].ravel())[0, 1]
    far = np.corrcoef(late[:, :-48].ravel(), late[:, 48:].ravel())[0, 1]
    # exp(-1/24) and exp(-2); some ten thousand related pairs
    assert near == pytest.approx(0.959, abs=0.01)
    assert far == pytest.approx(0.135, abs=0.1)


def test_successive_issues_share_their_errors_in_part(errors_k: NDArray[np.float64]) -> None:
    """For one moment two successive issues correlate by 0.7, issues two days apart hardly."""
    by_seed = errors_k.reshape(8, 100, -1)

    def related(issues: int) -> float:
        hours = 6 * issues
        older = by_seed[:, :-issues, 72 + hours :].ravel()
        newer = by_seed[:, issues:, 72:-hours].ravel()
        return float(np.corrcoef(older, newer)[0, 1])

    assert related(1) == pytest.approx(0.7, abs=0.07)
    assert abs(related(8)) < 0.2


def test_sun_and_wind_are_off_in_proportion(steady_weather: Weather) -> None:
    """Their factors spread by 20 and 15 % at first, by about 60 and 45 % from three days on.

    The light is faint at noon on the equator, so that no clear sky cuts it off there.
    """
    first: dict[str, list[float]] = {"irradiance": [], "wind": []}
    late: dict[str, list[float]] = {"irradiance": [], "wind": []}
    for seed in range(150):
        told = IssuedForecast(steady_weather, seed=seed)
        points = told.at(START_S + 2 * ISSUE_S, 168.0)
        for role in first:
            first[role].append(points[0][1][role])
            late[role] += [points[lead_h][1][role] for lead_h in (96, 120, 144)]
    true = {"irradiance": SUN_W_M2, "wind": WIND_M_S}
    for role, at_once, grown in (("irradiance", 0.2, 0.6), ("wind", 0.15, 0.45)):
        # 150 seeds know a standard deviation to 6 %; the cut at zero takes a little off the late
        assert np.std(first[role]) / true[role] == pytest.approx(at_once, rel=0.2)
        assert np.std(late[role]) / true[role] == pytest.approx(grown, rel=0.2)
        assert min(late[role]) >= 0.0


def test_sun_stays_between_night_and_a_clear_sky(winter: Weather) -> None:
    """No light is forecast for the night, and never more than a clear January noon gives.

    650 W/m2: 1098 cos z exp(-0.057 / cos z) at a zenith angle of 54 deg, which no noon in January
    at 36 deg north undercuts, is 586; one measured hour may lie above the formula.
    """
    told = IssuedForecast(winter, seed=3)
    for number in range(40):
        points = told.at(START_S + number * ISSUE_S, 168.0)
        sun = {at: values["irradiance"] for at, values in points}
        assert all(value == 0.0 for at, value in sun.items() if 1 <= at.hour <= 10)
        assert 150.0 < max(sun.values()) < 650.0


def test_an_issue_holds_for_six_hours(winter: Weather) -> None:
    """Until the next one the same is said of the same hours; then it is said anew."""
    told = IssuedForecast(winter, seed=1)
    first = dict(told.at(START_S, 168.0))
    later = told.at(START_S + ISSUE_S - 60.0, 168.0)
    assert all(first[at] == values for at, values in later)
    assert later[-1][0] == max(first)
    anew = told.at(START_S + ISSUE_S, 168.0)
    assert all(first[at]["outdoor"] != values["outdoor"] for at, values in anew if at in first)


def test_it_starts_now_and_ends_where_asked(winter: Weather) -> None:
    """Full hours, the first one covers this moment, the last one is within what was asked."""
    points = IssuedForecast(winter, seed=1).at(START_S + 1.5 * HOUR_S, 3.0)
    assert [at.timestamp() for at, _ in points] == [START_S + h * HOUR_S for h in (1, 2, 3, 4)]


def test_the_same_seed_forecasts_the_same_in_any_order(winter: Weather) -> None:
    """An issue depends on seed and number alone, not on what was asked before."""
    one, other = IssuedForecast(winter, seed=1), IssuedForecast(winter, seed=1)
    for number in range(4):
        one.at(START_S + number * ISSUE_S, 168.0)
    late_s = START_S + 4 * ISSUE_S
    assert one.at(late_s, 168.0) == other.at(late_s, 168.0)
    assert IssuedForecast(winter, seed=2).at(late_s, 168.0) != one.at(late_s, 168.0)


def test_it_ends_where_the_weather_ends(winter: Weather) -> None:
    """In the last days of the file the forecast is shorter; it does not fail."""
    last_s = datetime.fromisoformat("2025-04-28T12:00+00:00").timestamp()
    points = IssuedForecast(winter, seed=1).at(last_s, 168.0)
    assert 24 <= len(points) < 72


def test_only_the_forecasting_workshop_brings_one(site: Site, winter: Weather) -> None:
    """The plain workshop has no forecast; the other one tells it from its own time on."""
    settings = {"start_s": START_S, "seed": 1, "spread": 0.0}
    plain = Workshop(site, "boiler", winter, [], **settings)
    telling = ForecastingWorkshop(site, "boiler", winter, [], **settings)
    assert not isinstance(plain, Forecasting)
    assert isinstance(telling, Forecasting)
    telling.advance(2 * HOUR_S, False)
    assert telling.forecast(6.0)[0][0] == telling.now
    assert telling.truth() == _advanced(plain).truth()


def _advanced(plain: Workshop) -> Workshop:
    plain.advance(2 * HOUR_S, False)
    return plain
