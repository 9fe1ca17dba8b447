"""A thermal network of capacities and conductances, advanced exactly for inputs held over a step.

    C dT/dt = K T + L u

T are node temperatures [°C], u the inputs: boundary temperatures [°C] and heat flows [W]. The
step is the matrix exponential of the whole, so that it is exact and stable for any length.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

Floats = NDArray[np.float64]
Flow = bool | frozenset[str]
"""Where fluid goes round: in every loop, in none, or in the loops of these ids."""


@dataclass(frozen=True, slots=True)
class Matrices:
    """K and L of one state of flow: shapes (n, n) and (n, m) [W/K, and W/K or 1]."""

    conductances: Floats
    inputs: Floats


@dataclass(frozen=True, slots=True)
class _Entry:
    """One number of K or L: ``flowing`` None holds always, else with or without flow in a loop."""

    kind: str
    row: int
    column: int
    w_k: float
    loop: str = ""
    flowing: bool | None = None

    def holds(self, flow: Flow) -> bool:
        flows = flow if isinstance(flow, bool) else self.loop in flow
        return self.flowing is None or self.flowing is flows


@dataclass(slots=True)
class Network:
    """A network under construction.

    Conductances may hold always, or only with or without flow in a loop.
    """

    names: list[str] = field(default_factory=list)
    capacities_j_k: list[float] = field(default_factory=list)
    inputs: list[str] = field(default_factory=list)
    _entries: list[_Entry] = field(default_factory=list)

    def node(self, name: str, capacity_j_k: float) -> int:
        """Add a node with its heat capacity [J/K]."""
        if capacity_j_k <= 0.0:
            raise ValueError(f"node {name} needs a heat capacity above 0, not {capacity_j_k}")
        self.names.append(name)
        self.capacities_j_k.append(capacity_j_k)
        return len(self.names) - 1

    def input(self, name: str) -> int:
        """Add an input: a boundary temperature [°C] or a heat flow [W]."""
        self.inputs.append(name)
        return len(self.inputs) - 1

    def couple(
        self, a: int, b: int, w_k: float, *, loop: str = "", flowing: bool | None = None
    ) -> None:
        """Conductance between two nodes [W/K]: always, or with or without flow in a loop."""
        for row, other in ((a, b), (b, a)):
            self._entries.append(_Entry("node", row, other, w_k, loop, flowing))
            self._entries.append(_Entry("node", row, row, -w_k, loop, flowing))

    def boundary(self, node: int, source: int, w_k: float) -> None:
        """Conductance from a node to a boundary temperature [W/K]."""
        self._entries.append(_Entry("input", node, source, w_k))
        self._entries.append(_Entry("node", node, node, -w_k))

    def carry(self, origin: int, to: int, w_k: float, *, loop: str) -> None:
        """Heat that a loop's fluid carries from one node into another while it flows [W/K]."""
        self._entries.append(_Entry("node", to, origin, w_k, loop, flowing=True))
        self._entries.append(_Entry("node", to, to, -w_k, loop, flowing=True))

    def feed(self, node: int, source: int, share: float) -> None:
        """Let a share of a heat-flow input enter a node [-]."""
        self._entries.append(_Entry("input", node, source, share))

    def matrices(self, *, flowing: Flow) -> Matrices:
        """K and L with fluid going round there."""
        count = len(self.names)
        conductances, inputs = np.zeros((count, count)), np.zeros((count, len(self.inputs)))
        for entry in self._entries:
            if entry.holds(flowing):
                matrix = conductances if entry.kind == "node" else inputs
                matrix[entry.row, entry.column] += entry.w_k
        return Matrices(conductances, inputs)

    def step_matrix(self, seconds: float, *, flowing: Flow) -> Floats:
        """S of shape (n, n + m) with T(t + seconds) = S [T(t); u], u held over the step."""
        parts = self.matrices(flowing=flowing)
        count, total = len(self.names), len(self.names) + len(self.inputs)
        system = np.zeros((total, total))
        capacities = np.array(self.capacities_j_k)[:, None]
        system[:count, :count] = parts.conductances / capacities
        system[:count, count:] = parts.inputs / capacities
        step: Floats = np.ascontiguousarray(expm(system * seconds)[:count])
        return step

    def steady_c(self, inputs: Floats, *, flowing: Flow) -> Floats:
        """Temperatures that these inputs would lead to in the end, shape (n,) [°C]."""
        parts = self.matrices(flowing=flowing)
        steady = np.linalg.solve(parts.conductances, -parts.inputs @ inputs)
        return steady.astype(np.float64)
