"""The least-cost heat of a whole season around a course that is known: one linear programme.

Heat is the only variable; what it does to a temperature at a moment is a row of the workshop's
responses to a slot's heat. Rows are few: sessions, and what comes near a limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import expm
from scipy.optimize import linprog

from controller.rehearsal.foresight_linear import Boiler, Linear
from controller.rehearsal.foresight_watches import Place, Watch
from controller.rehearsal.structure import Structure

Floats = NDArray[np.float64]

GRID_MINUTES = 5
SHORT_H_PER_KH = 8.0
"""Hours of full heat that a K h of shortfall costs as much as."""
LIMIT_H_PER_KH = 80.0
"""The same for a limit: ten times as much, so that no limit is passed for a session's sake."""
_LEAST_SHARE = 3e-3
"""Part of a response's peak below which it is left out of a row."""


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """What one watt over one slot does, on a grid of five minutes from the slot's start.

    Attributes
    ----------
    places : dict of Place to array, shape (zones, L)
        [K/W].
    against : array, shape (L,)
        Of the temperature against which the boiler heats, as its mean over the slot's length
        before [K/W].
    slot_minutes : int
    """

    places: dict[Place, Floats]
    against: Floats
    slot_minutes: int

    def row(self, course: Floats, minute: int, count: int) -> sparse.coo_array:
        """What each of ``count`` slots' heat does at a minute, shape (1, count) [K/W]."""
        stop = min(count, -(-minute // self.slot_minutes))
        memory = (len(course) - 1) * GRID_MINUTES // self.slot_minutes
        slots = np.arange(max(0, stop - memory), stop)
        lags = (minute - slots * self.slot_minutes) / GRID_MINUTES
        values = np.interp(lags, np.arange(len(course)), course)
        kept = np.abs(values) > _LEAST_SHARE * np.abs(course).max()
        where = (np.zeros(int(kept.sum()), dtype=int), slots[kept])
        return sparse.coo_array((values[kept], where), shape=(1, count))


def response_of(
    linear: Linear, structure: Structure, boiler: Boiler, *, slot_minutes: int, memory_days: float
) -> Response:
    """The responses of a workshop's temperatures, exact for its linear network."""
    size = len(linear.capacities_j_k)
    whole = np.zeros((size + 1, size + 1))
    whole[:size, :size] = linear.conductances_w_k / linear.capacities_j_k[:, None]
    whole[:size, size] = linear.heat / linear.capacities_j_k
    step = expm(whole * GRID_MINUTES * 60.0)
    length = round(memory_days * 1440 / GRID_MINUTES) + 1
    within = slot_minutes // GRID_MINUTES
    states = np.zeros((length, size))
    for k in range(1, length):
        states[k] = step[:size, :size] @ states[k - 1] + step[:size, size] * (k <= within)
    against = states @ boiler.row
    sums = np.concatenate(([0.0], np.cumsum((against[1:] + against[:-1]) / 2)))
    before = np.concatenate((np.zeros(within), sums[:-within]))
    zones = structure.zones
    return Response(
        places={
            Place.AIR: states[:, [nodes.air for nodes in zones]].T,
            Place.SURFACE: states[:, [nodes.surface for nodes in zones]].T,
            Place.CORE: states[:, [nodes.slab_core for nodes in zones]].T,
        },
        against=(sums - before) / within,
        slot_minutes=slot_minutes,
    )


@dataclass(frozen=True, slots=True)
class Row:
    """A watched temperature at its worst minute on the known course [°C]."""

    watch: Watch
    minute: int
    value_c: float


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """The known course.

    Attributes
    ----------
    heat_w : array, shape (N,)
        Mean heat of each slot.
    rows : sequence of Row
    output_w : array, shape (N,)
        What the boiler's thermostat lets through in each slot.
    bounded : array of int
        Slots in which that may matter.
    """

    heat_w: Floats
    rows: Sequence[Row]
    output_w: Floats
    bounded: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Planned:
    """Heat of each slot (N,) [W], and what each row's temperature comes to (R,) [°C]."""

    heat_w: Floats
    values_c: Floats


class NoProgramme(Exception):
    """The solver found no answer, which should not happen: nothing but the rating is a wall."""


def least_heat(known: Known, response: Response, boiler: Boiler, *, rating_w: float) -> Planned:
    """Least heat, shortfall and passed limits at their prices.

    Heat counts in slots of full heat, temperatures in kelvins.

    Raises
    ------
    NoProgramme
    """
    count, rows = len(known.heat_w), known.rows
    slot_h = response.slot_minutes / 60.0
    effects = [
        response.row(response.places[r.watch.place][r.watch.zone], r.minute, count) for r in rows
    ]
    effect = sparse.csr_array(sparse.vstack(effects)) * rating_w
    without_c = np.array([r.value_c for r in rows]) - effect @ (known.heat_w / rating_w)
    signs = np.array([-1.0 if r.watch.lower else 1.0 for r in rows])
    bounds_c = np.array([r.watch.bound_c for r in rows])
    prices = np.array(
        [(SHORT_H_PER_KH if r.watch.lower else LIMIT_H_PER_KH) * r.watch.hours for r in rows]
    )
    beyond = -sparse.eye_array(len(rows))
    above = sparse.hstack((sparse.diags_array(signs) @ effect, beyond))
    right = signs * (bounds_c - without_c)
    output, most = _output_rows(known, response, boiler, rating_w=rating_w, beyond=len(rows))
    found = linprog(
        np.concatenate((np.full(count, slot_h), prices)),
        A_ub=sparse.csc_array(sparse.vstack((above, output))),
        b_ub=np.concatenate((right, most)),
        bounds=np.concatenate(
            (np.tile((0.0, 1.0), (count, 1)), np.tile((0.0, np.inf), (len(rows), 1)))
        ),
        method="highs-ds",
    )
    if found.status != 0:
        raise NoProgramme(str(found.message))
    heat = np.clip(found.x[:count], 0.0, 1.0)
    return Planned(heat * rating_w, without_c + effect @ heat)


def _output_rows(
    known: Known, response: Response, boiler: Boiler, *, rating_w: float, beyond: int
) -> tuple[sparse.csr_array, Floats]:
    """Heat within what the thermostat lets through, falling as earlier heat warms the slab."""
    count, at = len(known.heat_w), known.bounded
    if not len(at):
        return sparse.csr_array((0, count + beyond)), np.zeros(0)
    ends = [(int(slot) + 1) * response.slot_minutes for slot in at]
    lifted = sparse.vstack([response.row(response.against, end, count) for end in ends])
    lifted = sparse.csr_array(lifted) * boiler.conductance_w_k
    own = sparse.csr_array(sparse.eye_array(count))[at]
    rows = sparse.hstack((own + lifted, sparse.csr_array((len(at), beyond))))
    most = np.maximum((known.output_w[at] + lifted @ known.heat_w) / rating_w, 0.0)
    return sparse.csr_array(rows), most
