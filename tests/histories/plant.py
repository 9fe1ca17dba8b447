"""The workshop of the random histories: slab, room, fluid, boiler, and the board at the heater.

It shares nothing with `models` or with the rehearsal's workshop and board: what judges the guard
must not be built from what it guards. Numbers are chosen so that limits are reached within hours,
not taken from any building.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field

RATING_W = 9000.0
BOILER_LIMIT_C = 62.0
SLAB_J_K = 5.0e6
"""A thin slab: 9 kW warm it by 6.5 K an hour."""
ROOM_J_K = 1.2e6
FLOOR_W_K = 350.0
WALLS_W_K = 160.0
GROUND_W_K = 15.0
GROUND_C = 8.0
TUBES_W_K = 600.0
FLUID_S = 60.0
"""Time constant of the fluid [s]."""
STEP_S = 10.0


@dataclass
class Board:
    """The relay board: closes its contact for a lease, counted on its own clock since power-up.

    It obeys whatever lease it is given: how long that may be is for the judge to say. ``mono_s`` of
    all calls is the world's clock; the board counts from its own ``started_s``.
    """

    reports: bool
    started_s: float = 0.0
    deaf: bool = False
    """Hears nothing, says nothing."""
    welded: bool = False
    """The contact does not open any more."""
    until_s: float = -math.inf
    sequence: int = -1
    issued_s: float = -math.inf
    taken_s: float = -math.inf
    """When the last ON was taken [s]."""
    lease_s: float = 0.0

    def power_up(self, mono_s: float) -> None:
        """Come back from a power cut: nothing is remembered, the contact is open."""
        self.started_s, self.until_s, self.taken_s = mono_s, -math.inf, -math.inf
        self.sequence, self.issued_s = -1, -math.inf

    def closed(self, mono_s: float) -> bool:
        return self.welded or mono_s < self.until_s

    def hear(self, payload: bytes, mono_s: float) -> bool:
        """Obey or refuse one message; whether it was taken."""
        if self.deaf:
            return False
        order = json.loads(payload)
        if order["heat"]:
            return self._hear_on(order, mono_s)
        self.until_s = -math.inf
        self.sequence = max(self.sequence, order.get("seq", -1))
        self.issued_s = max(self.issued_s, order.get("issued", -math.inf))
        return True

    def _hear_on(self, order: dict[str, float], mono_s: float) -> bool:
        if order["seq"] <= self.sequence or order["issued"] < self.issued_s:
            return False
        if self.reports:
            held_up_s = mono_s - self.started_s - order.get("answers_s", math.inf)
            if not 0.0 <= held_up_s <= order["lease_s"]:
                return False
        self.sequence, self.issued_s = int(order["seq"]), order["issued"]
        self.taken_s, self.lease_s = mono_s, order["lease_s"]
        self.until_s = mono_s + order["lease_s"]
        return True

    def says(self, mono_s: float) -> bytes:
        uptime_s = mono_s - self.started_s
        said = {"heat": self.closed(mono_s), "uptime_s": uptime_s, "seq": self.sequence}
        return json.dumps(said).encode()


@dataclass
class Plant:
    """The truth. Temperatures in degrees Celsius, gauge pressure in bar."""

    board: Board
    mono_s: float
    slab_c: float = 16.0
    air_c: float = 14.0
    outdoor_c: float = 2.0
    supply_c: float = 16.0
    return_c: float = 16.0
    pressure_bar: float = 1.5
    flow: bool = True
    """Whether the fluid runs: without it the boiler's own limiter opens."""
    fire_w: float = 0.0
    """Heat from elsewhere into the slab [W]: what no relay can stop."""
    power_w: float = 0.0
    closed_s: list[tuple[float, float]] = field(default_factory=list)
    """Stretches of closed contact, the welded ones too: (from, until) [s]."""

    def advance(self, seconds: float) -> None:
        """Let time run on."""
        end_s = self.mono_s + seconds
        while self.mono_s < end_s - 1e-6:
            self._step(min(STEP_S, end_s - self.mono_s))

    def _step(self, step_s: float) -> None:
        board, begin_s = self.board, self.mono_s
        until_s = begin_s + step_s if board.welded else min(board.until_s, begin_s + step_s)
        on_s = max(0.0, until_s - begin_s)
        if on_s > 0.0:
            self._note_closed(begin_s, until_s)
        heat_w = self._heat_w() * on_s / step_s
        self.power_w = heat_w
        fluid_c = self.slab_c + (heat_w / TUBES_W_K if self.flow else 0.0)
        share = 1.0 - math.exp(-step_s / FLUID_S)
        self.supply_c += share * (fluid_c - self.supply_c)
        self.return_c += share * (0.5 * (fluid_c + self.slab_c) - self.return_c)
        floor_w = FLOOR_W_K * (self.slab_c - self.air_c)
        ground_w = GROUND_W_K * (self.slab_c - GROUND_C)
        into_slab_w = heat_w * self.flow + self.fire_w - floor_w - ground_w
        self.slab_c += into_slab_w * step_s / SLAB_J_K
        self.air_c += (floor_w - WALLS_W_K * (self.air_c - self.outdoor_c)) * step_s / ROOM_J_K
        self.mono_s = begin_s + step_s

    def _heat_w(self) -> float:
        return RATING_W if self.flow and self.supply_c < BOILER_LIMIT_C else 0.0

    def _note_closed(self, from_s: float, until_s: float) -> None:
        stretches = self.closed_s
        if stretches and stretches[-1][1] >= from_s - 1e-6:
            stretches[-1] = (stretches[-1][0], until_s)
        else:
            stretches.append((from_s, until_s))
            del stretches[:-400]
