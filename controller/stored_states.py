"""What a heater's stored state is: at the start, and whenever another file is the store.

The sequence must not start again, and a lockout must not be forgotten. What is not known counts
at its worst: rules without memory begin so themselves, the frost budget as spent for an hour.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path

from controller.cycle import Carry
from controller.interlocks import removed_role
from controller.records.decision import HeaterState, Notice, NoticeKind
from controller.records.instant import Instant
from controller.records.safety import Memory
from controller.store.failures import StoreFailed
from controller.store.set_aside import damaged_stores
from controller.store.writer import Writer


class StoredStates:
    """The states of a store's heaters, each read once from every file that is opened.

    Parameters
    ----------
    store : Writer
    heaters : collection of str
        All that there are now. Lockouts of others, which were renamed or taken out, become theirs.
    """

    def __init__(self, store: Writer, heaters: Collection[str]) -> None:
        self._store, self._heaters = store, heaters
        self._gone = set(store.adopt_lockouts(heaters))
        self._read_from: dict[str, int] = {}

    def first_carry(self, heater: str, now: Instant) -> Carry:
        """The first carry of a process; of a store that is shut, with its lockouts alone."""
        try:
            state = self._read(heater)
        except StoreFailed:
            self._store.met(heater, 0)
            state = HeaterState(latched=self._store.lockouts(heater))
        return Carry.at_start(state, now)

    def joined(self, heater: str, carry: Carry, now: Instant) -> Carry:
        """The carry, with what the store has kept of a heater where that has not been read yet.

        The store may have been shut at the start, or its disk mounted since. Heat and the rules'
        memories go on as they are: they began at the worst. What sensors there were cannot be
        guessed at, so that is taken from the store.

        Raises
        ------
        StoreFailed
            Where the store is shut.
        """
        if self._read_from.get(heater) == self._store.look():
            return carry
        # until now their folder may have been as far away as the store was
        self._gone |= self._store.adopt_lockouts(self._heaters)
        before = Carry.at_start(self._read(heater), now).state
        state = replace(
            carry.state,
            sequence=max(carry.state.sequence, before.sequence),
            issued_s=max(carry.state.issued_s, before.issued_s),
            latched=carry.state.latched | before.latched,
            memories=_with_fitted(carry.state.memories or {}, before.memories or {}),
        )
        return replace(carry, state=state)

    def notices(self) -> list[Notice]:
        """An alarm for each lockout handed on since the last call, and state not understood."""
        gone, self._gone = self._gone, set()
        handed_on = [
            Notice(
                NoticeKind.CONFIGURATION_LOADED,
                f"Heater {heater} is gone, its lockout is not: it holds for every heater until it "
                "is acknowledged.",
                alarm=True,
            )
            for heater in sorted(gone)
        ]
        return handed_on + [
            Notice(
                NoticeKind.STORE_FAILED, f"The stored state of {heater} is lost: {why}", alarm=True
            )
            for heater, why in self._store.unreadable_states.items()
        ]

    def _read(self, heater: str) -> HeaterState:
        """A heater's state, of which the store is told that it may be written over."""
        opened = self._store.look()  # before: a file that comes in between is read again
        state = self._stored(heater)
        self._read_from[heater] = opened
        self._store.met(heater, opened)
        return state

    def _stored(self, heater: str) -> HeaterState:
        """A heater's state; of one that cannot be understood, what the decisions still tell."""
        stored = self._store.state(heater)
        if stored is None:
            unreadable = heater in self._store.unreadable_states
            lost = unreadable and self._store.was_locked_out(heater)
            latched = (
                frozenset({"a rule whose name was lost with the stored state"})
                if lost
                else frozenset()
            )
            stored = HeaterState(sequence=self._store.last_sequence(heater), latched=latched)
        return replace(stored, latched=stored.latched | self._store.lockouts(heater))


def _with_fitted(
    present: Mapping[str, Memory], before: Mapping[str, Memory]
) -> Mapping[str, Memory]:
    """The rules' memories with the sensor roles that were fitted before."""
    fitted = {**before.get(removed_role.NAME, {}), **present.get(removed_role.NAME, {})}
    return {**present, removed_role.NAME: fitted}


def another_store_notices(store: Path, generation: int) -> list[Notice]:
    """Why there is another store than a moment ago; nothing where the first has been opened late.

    Parameters
    ----------
    store : Path
        The store's folder.
    generation : int
        How many files have been opened.
    """
    moved = (
        "The records' file was moved or removed while in use, or its disk came late: what is there "
        "now is used, and every lockout in it holds as well."
    )
    told = [Notice(NoticeKind.STORE_FAILED, moved, alarm=True)] if generation > 1 else []
    return damage_notices(store) or told


def damage_notices(store: Path) -> list[Notice]:
    """An alarm while a damaged store lies aside: what was in it is only there.

    Parameters
    ----------
    store : Path
        The store's folder.
    """
    aside = [path.name for path in damaged_stores(store)]
    if not aside:
        return []
    text = (
        f"The records were found damaged and set aside as {', '.join(aside)}; what was learnt and "
        f"recorded before is only there. Bring back a backup with `slabtide restore`, or move the "
        f"file out of {store} to end this alarm."
    )
    return [Notice(NoticeKind.STORE_FAILED, text, alarm=True)]
