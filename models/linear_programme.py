"""A sparse linear programme put together piece by piece and solved with HiGHS through scipy."""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.optimize import linprog

from models.series import FloatArray

_METHODS = ("highs", "highs-ipm")
"""Simplex, interior point; the other is tried where one stops without an answer, as the simplex
of HiGHS 1.12 was seen to do."""
_LARGE = 20_000
"""Columns from which on the interior point is the quicker one (a week of about six rooms)."""
_SHARES = (0.2, 0.5, 0.3)
"""How much of the time each attempt has: a simplex that goes round in circles must leave time for
the next [-]."""
_TOO_LATE, _NO_ANSWER = 1, 4
"""scipy's status numbers."""


class ProgrammeFailed(Exception):
    """No programme, and why, in one sentence."""


Piece = tuple[int, sparse.sparray]
"""First column, and the entries of some rows from that column on."""


class Sheet:
    """Columns, all from 0 upwards, and rows; blocks of both are added one by one."""

    def __init__(self) -> None:
        self._width = 0
        self._cost: list[FloatArray] = []
        self._upper: list[FloatArray] = []
        self._equal = _Rows()
        self._below = _Rows()

    def add_columns(self, cost: FloatArray, upper: FloatArray | None = None) -> int:
        """Add a block of columns.

        Parameters
        ----------
        cost : array, shape (c,)
        upper : array, shape (c,), or None
            Upper bounds; None for none.

        Returns
        -------
        int
            Index of the first.
        """
        first = self._width
        self._width += len(cost)
        self._cost.append(np.asarray(cost, dtype=np.float64))
        self._upper.append(np.full(len(cost), np.inf) if upper is None else upper)
        return first

    def add_equal(self, right: FloatArray, *pieces: Piece) -> None:
        """Add rows whose pieces sum up to ``right``, shape (r,)."""
        self._equal.add(right, pieces)

    def add_below(self, right: FloatArray, *pieces: Piece) -> None:
        """Add rows whose pieces sum up to ``right`` or less, shape (r,)."""
        self._below.add(right, pieces)

    def solve(self, *, time_limit_s: float) -> FloatArray:
        """Return the columns of least cost.

        Parameters
        ----------
        time_limit_s : float
            Time for all attempts together [s].

        Raises
        ------
        ProgrammeFailed
        """
        upper = np.concatenate(self._upper)
        methods = _METHODS if self._width < _LARGE else _METHODS[::-1]
        # presolve leads the solver astray at times: the last attempt goes without it
        attempts = ((methods[0], True), (methods[1], True), (methods[0], False))
        for (method, presolve), share in zip(attempts, _SHARES, strict=True):
            found = linprog(
                np.concatenate(self._cost),
                **self._below.matrix("ub", self._width),
                **self._equal.matrix("eq", self._width),
                bounds=np.column_stack((np.zeros(self._width), upper)),
                method=method,
                options={"time_limit": share * time_limit_s, "presolve": presolve},
            )
            if found.status == 0 and np.isfinite(found.x).all():
                return np.asarray(found.x, dtype=np.float64)
            if found.status not in (_TOO_LATE, _NO_ANSWER):
                break
        raise ProgrammeFailed(_why(int(found.status), str(found.message), time_limit_s))


class _Rows:
    """Rows as lists of entries."""

    def __init__(self) -> None:
        self._right: list[FloatArray] = []
        self._entries: list[tuple[FloatArray, FloatArray, FloatArray]] = []
        self._height = 0

    def add(self, right: FloatArray, pieces: tuple[Piece, ...]) -> None:
        for column, entries in pieces:
            piece = sparse.coo_array(entries)
            if piece.shape[0] != len(right):
                raise ValueError(f"{len(right)} rows wanted, a piece has {piece.shape[0]}")
            row, col = piece.coords
            self._entries.append((row + self._height, col + column, piece.data))
        self._right.append(right)
        self._height += len(right)

    def matrix(self, name: str, width: int) -> dict[str, object]:
        """Arguments of scipy's linprog for these rows."""
        if self._height == 0:
            return {}
        row, col, value = (np.concatenate(parts) for parts in zip(*self._entries, strict=True))
        matrix = sparse.csc_array((value, (row, col)), shape=(self._height, width))
        return {f"A_{name}": matrix, f"b_{name}": np.concatenate(self._right)}


def _why(status: int, message: str, time_limit_s: float) -> str:
    if status == _TOO_LATE:
        return f"the solver found no programme within {time_limit_s:g} s"
    return f"the solver found no programme: {message}"
