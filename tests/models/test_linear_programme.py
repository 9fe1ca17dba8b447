"""The sheet of columns and rows, and what it says where there is no answer."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import sparse

import models.linear_programme
from models.linear_programme import ProgrammeFailed, Sheet


def mixture() -> Sheet:
    """Least 3 x + 2 y with x + y = 4 and x at least 1, y at most 2."""
    sheet = Sheet()
    x = sheet.add_columns(np.array([3.0]))
    y = sheet.add_columns(np.array([2.0]), np.array([2.0]))
    one = sparse.eye_array(1)
    sheet.add_equal(np.array([4.0]), (x, one), (y, one))
    sheet.add_below(np.array([-1.0]), (x, -one))
    return sheet


def test_a_sheet_is_solved() -> None:
    """The cheaper column up to its bound, the other for the rest."""
    assert mixture().solve(time_limit_s=10.0) == pytest.approx([2.0, 2.0])


def test_a_sheet_that_contradicts_itself_is_a_sentence() -> None:
    """No answer exists: an error in words, not an array of None."""
    sheet = mixture()
    sheet.add_below(np.array([0.5]), (0, sparse.eye_array(1)))
    with pytest.raises(ProgrammeFailed, match="no programme: "):
        sheet.solve(time_limit_s=10.0)


@pytest.mark.parametrize("status", [1, 4])
def test_where_one_method_gives_up_the_other_is_tried(
    monkeypatch: pytest.MonkeyPatch, status: int
) -> None:
    """The simplex ends out of time or without an answer: the interior point finds it in the rest.

    (1 and 4 are scipy's numbers for these.)
    """
    tried: list[str] = []
    times_s: list[float] = []
    solver = models.linear_programme.linprog

    def stumbling(*args: Any, method: str, options: dict[str, Any], **kwargs: Any) -> Any:
        tried.append(method)
        times_s.append(options["time_limit"])
        if len(tried) == 1:
            return SimpleNamespace(status=status, x=None, message="Not Set")
        return solver(*args, method=method, options=options, **kwargs)

    monkeypatch.setattr(models.linear_programme, "linprog", stumbling)
    assert mixture().solve(time_limit_s=10.0) == pytest.approx([2.0, 2.0])
    assert tried == ["highs", "highs-ipm"]
    assert sum(times_s) < 10.0


def test_pieces_of_other_heights_are_refused() -> None:
    """Two right-hand sides for a piece of one row: a message, not a broken matrix."""
    sheet = mixture()
    with pytest.raises(ValueError, match="2 rows wanted"):
        sheet.add_below(np.zeros(2), (0, sparse.eye_array(1)))


def circling() -> Sheet:
    """A day's programme of a simulated weak heater on which the simplex of HiGHS 1.12 never ends.

    Recorded in a season of the benchmark; it shows only after presolve.
    """
    with np.load(Path(__file__).parent / "data" / "circling_programme.npz") as kept:
        sheet = Sheet()
        sheet.add_columns(kept["cost"], kept["upper"])
        for add, name in ((sheet.add_below, "below"), (sheet.add_equal, "equal")):
            right = kept[f"{name}_right"]
            at = (kept[f"{name}_row"], kept[f"{name}_col"])
            shape = (len(right), len(kept["cost"]))
            add(right, (0, sparse.coo_array((kept[f"{name}_value"], at), shape=shape)))
    return sheet


def test_a_programme_on_which_the_simplex_circles_is_solved() -> None:
    """The least cost is that which the simplex without presolve and the interior point agree on."""
    sheet = circling()
    found = sheet.solve(time_limit_s=2.5)
    with np.load(Path(__file__).parent / "data" / "circling_programme.npz") as kept:
        assert kept["cost"] @ found == pytest.approx(69.776955, abs=1e-5)
