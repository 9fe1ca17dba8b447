"""What anybody could say of the hours ahead without a model: a measure for every model.

That the air stays as it is (`models.backtest.persistence_errors`), or that it will be as it was
at the same time a day before. At 24 h the two say the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from models.backtest import START_EVERY_S
from models.series import FloatArray, Series, prepare

DAY_S = 86400.0


def yesterday_errors(
    series: Series, horizons_h: Sequence[int], *, reach_back_s: float = 0.0
) -> dict[int, FloatArray]:
    """Errors of saying that the air will be as it was at that time the day before [K].

    Parameters
    ----------
    series : Series
    horizons_h : sequence of int
        Hours ahead, 24 at most: what lies further ahead has no day before that is known.
    reach_back_s : float
        Time that must be known before each start, as in `models.backtest.persistence_errors` [s].

    Returns
    -------
    dict of int to array
        One error for each start from which all is known, from a day before what is said to it;
        empty where there is none.
    """
    history = prepare(series)
    day = round(DAY_S / series.step_s)
    back = math.ceil(reach_back_s / series.step_s) + 1
    every = max(1, round(START_EVERY_S / series.step_s))
    errors = {}
    for hours in horizons_h:
        steps = round(hours * 3600.0 / series.step_s)
        if steps > day:
            raise ValueError(f"{hours} h ahead the day before is not known yet; 24 h at most")
        starts = history.starts(before=max(day - steps, back), after=steps, every=every)
        errors[hours] = history.air_c[starts + steps - day] - history.air_c[starts + steps]
    return errors
