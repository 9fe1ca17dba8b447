"""All sensors of the site at one moment, as the judge sees them."""

from __future__ import annotations

import math

from controller.records.site import Role, Site
from tests.histories.evidence import LONG_S, NEW_LEVEL_S, Standing, Track
from tests.histories.instruments import Heard

SLAB_MAX_C = 40.0
FROST_ON_C, FROST_OFF_C = 5.0, 7.0
WARM_ROOM_C = 13.0
"""A slab near freezing under a room as warm as this may not be believed [°C]: at 15 °C it is not,
and then not until the room has cooled to this."""
NEEDED = (Role.SLAB, Role.AIR, Role.SUPPLY, Role.PRESSURE)
COLD_ROLES = (Role.SLAB, Role.AIR, Role.RETURN)
APART_K = {Role.SLAB: 7.5}
"""Two sensors of a role that are further apart may both be doubted."""


class Picture:
    """What is known, what is not, and what is cold."""

    def __init__(self, site: Site) -> None:
        self.tracks = {s.id: Track(s.role, SLAB_MAX_C) for s in site.sensors}
        self.by_role: dict[Role, list[Track]] = {}
        for sensor in site.sensors:
            self.by_role.setdefault(sensor.role, []).append(self.tracks[sensor.id])
        self.now_s = 0.0
        self.heard: list[Heard] = []
        """What was new at this look."""
        self._cold_heard_s = -1e9
        self._frost = False
        self._apart_before: frozenset[Role] = frozenset()
        """Roles that the process before may have doubted, at the first look of a new one."""
        self._looked = False

    def restart(self, now_s: float) -> None:
        """A new process knows nothing yet, but what it is told to doubt."""
        self.now_s, self._frost = now_s, False
        self._apart_before = frozenset(r for r in self.by_role if self.may_contradict(r))
        self._looked = False
        for track in self.tracks.values():
            track.restart()

    def look(self, now_s: float, heard: list[Heard]) -> None:
        """Take in what was said since the last tick."""
        self.now_s, self.heard = now_s, list(heard)
        if self._looked:
            self._apart_before = frozenset()
        self._looked = True
        for one in heard:
            self.tracks[one.sensor].hear(one)
            if one.role in COLD_ROLES and one.value < FROST_OFF_C:
                self._cold_heard_s = now_s

    def standing(self, role: Role) -> Standing:
        """Of a role as a whole: one known sensor is enough, unless another contradicts it."""
        found = [t.standing(self.now_s) for t in self.by_role.get(role, ())]
        if Standing.KNOWN in found and self.may_contradict(role):
            return Standing.DOUBT
        if Standing.KNOWN in found:
            return Standing.KNOWN
        return Standing.DOUBT if Standing.DOUBT in found else Standing.UNKNOWN

    def may_contradict(self, role: Role) -> bool:
        """Whether two sensors of a role may be too far apart for either to be believed."""
        heard = [t.good.value for t in self.by_role.get(role, ()) if t.good]
        apart = bool(heard) and max(heard) - min(heard) > APART_K.get(role, math.inf)
        return apart or role in self._apart_before

    def known(self, role: Role) -> list[float]:
        """The values that the guard must know."""
        tracks = self.by_role.get(role, ())
        return [t.good.value for t in tracks if t.good and t.standing(self.now_s) is Standing.KNOWN]

    def unknown_for_sure(self) -> list[str]:
        """Needed roles that are fitted and unknown."""
        fitted = [role for role in NEEDED if role in self.by_role]
        return [r.value for r in fitted if self.standing(r) is Standing.UNKNOWN]

    def is_blind(self) -> bool:
        """Whether no slab reading can be trusted, for sure."""
        return self.standing(Role.SLAB) is Standing.UNKNOWN

    def may_be_cold(self) -> bool:
        """Whether there is anything at all that frost protection could stand on."""
        if self.now_s - self._cold_heard_s <= LONG_S:
            return True
        unseen = (Role.SLAB, Role.AIR)
        return all(self.standing(role) is not Standing.KNOWN for role in unseen)

    def is_cold_for_sure(self) -> bool:
        """Whether a known slab asks for frost protection, and has since it fell below 5 °C."""
        tracks = self.by_role[Role.SLAB]
        slabs = self.known(Role.SLAB)
        sure = bool(slabs) and self._is_honest(COLD_ROLES)
        sure = sure and all(t.standing(self.now_s) is not Standing.DOUBT for t in tracks)
        sure = sure and not self._room_may_be_warm()
        limit_c = FROST_OFF_C if self._frost else FROST_ON_C
        self._frost = sure and min(slabs) < limit_c
        return self._frost

    def is_cold_and_blind_for_sure(self) -> bool:
        """Whether the slab is unknown while honest air or return are below 5 °C."""
        others = self.known(Role.AIR) + self.known(Role.RETURN)
        doubt = any(self.standing(r) is Standing.DOUBT for r in (Role.SLAB, Role.AIR, Role.RETURN))
        cold = bool(others) and min(others) < FROST_ON_C and not doubt
        return cold and self.is_blind() and self._is_honest((Role.AIR, Role.RETURN))

    def _room_may_be_warm(self) -> bool:
        airs = [t.good.value for t in self.by_role[Role.AIR] if t.good]
        lasts = [t.last.value for t in self.by_role[Role.AIR] if t.last]
        return any(value >= WARM_ROOM_C - 0.01 for value in airs + lasts)

    def _is_honest(self, roles: tuple[Role, ...]) -> bool:
        """Whether nothing but the truth was said for a long time."""
        tracks = [t for role in roles for t in self.by_role.get(role, ())]
        return all(t.honest_for_s(self.now_s) > LONG_S + NEW_LEVEL_S for t in tracks)

    def describe(self) -> str:
        texts = []
        for name, track in self.tracks.items():
            standing = track.standing(self.now_s).name.lower()
            good = f"{track.good.value:g}" if track.good else "-"
            last = f"{track.last.value:g}" if track.last else "-"
            texts.append(f"{name} {standing} {good} (last {last})")
        return "; ".join(texts)
