"""The sheet of columns and rows, and what it says where there is no answer."""

from __future__ import annotations

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


def test_where_one_method_gives_up_the_other_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """The simplex ends without an answer (scipy's status 4): the interior point finds it."""
    tried: list[str] = []
    solver = models.linear_programme.linprog

    def stumbling(*args: Any, method: str, **kwargs: Any) -> Any:
        tried.append(method)
        if len(tried) == 1:
            return SimpleNamespace(status=4, x=None, message="Not Set")
        return solver(*args, method=method, **kwargs)

    monkeypatch.setattr(models.linear_programme, "linprog", stumbling)
    assert mixture().solve(time_limit_s=10.0) == pytest.approx([2.0, 2.0])
    assert tried == ["highs", "highs-ipm"]


def test_pieces_of_other_heights_are_refused() -> None:
    """Two right-hand sides for a piece of one row: a message, not a broken matrix."""
    sheet = mixture()
    with pytest.raises(ValueError, match="2 rows wanted"):
        sheet.add_below(np.zeros(2), (0, sparse.eye_array(1)))
