"""What heat adds to a room, parted into sums that decay each by its own factor.

A network of heat capacities has real positive decay factors (its matrix is similar to a
symmetric one), so that its response to heat falls apart into independent first-order sums. In
them a linear programme has fewer entries than in the states themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.series import FloatArray

_WORST_CONDITION = 1e8
"""Beyond it the parting costs more digits than a programme needs [-]."""


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """``z[k + 1] = step z[k] + gain heat[k]`` and ``states = free path + vectors z``, z from 0.

    Parameters
    ----------
    step : array, shape (m, m)
        What a slot leaves of the sums, no entry below 0 [-].
    gain : array, shape (m,)
        What one unit of heat adds to them, no entry below 0.
    vectors : array, shape (n, m)
        States by the sums.
    """

    step: FloatArray
    gain: FloatArray
    vectors: FloatArray


def modes_of(a: FloatArray, b_heat: FloatArray) -> Modes:
    """Part a response into its modes, or leave the states as they are where that cannot be done.

    Parameters
    ----------
    a : array, shape (n, n)
    b_heat : array, shape (n,)
        By the unit of heat that is wanted.

    Returns
    -------
    Modes
        Each mode counts the heat that it remembers, so that ``gain`` is 1; modes that heat
        does not reach are left out. The states themselves (``vectors`` the identity) where a
        decay factor is complex or below 0, or where two modes cannot be told apart: delays held
        as states, for one.
    """
    decay, vectors = np.linalg.eig(a)
    as_they_are = Modes(a, b_heat, np.eye(len(a)))
    if np.iscomplexobj(decay) or (decay < 0).any():
        return as_they_are
    if np.linalg.cond(vectors) > _WORST_CONDITION:
        return as_they_are
    weight = np.linalg.solve(vectors, b_heat)
    scaled = vectors * weight
    reached = np.abs(scaled).max(axis=0) > 1e-12 * max(1e-300, float(np.abs(b_heat).max()))
    return Modes(np.diag(decay[reached]), np.ones(int(reached.sum())), scaled[:, reached])
