"""A copy of the store while the service writes, and the way back.

A copy is made through SQLite's backup interface in one step: one reader's view of one moment, to
which the running writer pays no heed. It stands under its name only when it was checked and is on
disk.
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from controller.records.decision import Decision, HeaterState
from controller.store import migrations, rows
from controller.store.database import FILE_NAME, connect_reader
from controller.store.failures import StoreDamaged, StoreFailed, StoreUnsuitable, reported
from controller.store.lockout_marks import LockoutMarks
from controller.store.reader import Reader
from controller.store.set_aside import set_aside
from controller.store.soundness import require_tables
from controller.store.transactions import transaction
from controller.store.whole_files import put_in_place


@dataclass(frozen=True, slots=True)
class Copy:
    """A finished backup: its size, and the last decision that can be read in it."""

    size_bytes: int
    last: Decision | None


@dataclass(frozen=True, slots=True)
class Restored:
    """What came back.

    ``last`` is its last decision, ``aside`` where the store before it lies now, ``locked_out`` the
    heaters that are locked out.
    """

    last: Decision | None
    aside: Path | None
    locked_out: tuple[str, ...]


def back_up(folder: Path, target: Path) -> Copy:
    """Copy the store in a folder into one file, readable by its user alone.

    Parameters
    ----------
    folder : Path
    target : Path
        What stands there is replaced, whole or not at all.

    Raises
    ------
    StoreMissing, StoreFailed
        Where there is none, or it cannot be copied; ``target`` is as it was.
    """
    with (
        reported("back up the store", folder / FILE_NAME),
        closing(connect_reader(folder)) as source,
        _draft(target) as draft,
    ):
        _copy(source, draft)
        last, size_bytes = _last_of(draft), draft.stat().st_size
        put_in_place(draft, target)
    return Copy(size_bytes, last)


def restore(folder: Path, source: Path, *, at_s: float, of_site: str | None = None) -> Restored:
    """Put a backup in the store's place. The caller holds the site's lock.

    The store before it is kept aside. Each heater goes on from the state that the store before it
    holds, because it tells of the relay and not of the past: neither sequence nor lockout falls
    back. Without one, what the rules remember is dropped, so that they begin at their worst.

    Parameters
    ----------
    folder : Path
    source : Path
        A backup, or a store that was set aside.
    at_s : float
        Now [UTC s].
    of_site : str, optional
        The id of the site whose records they must be, where they tell.

    Raises
    ------
    StoreUnsuitable, StoreDamaged
        Where ``source`` is no store that this version can use, or another site's. Nothing is
        changed.
    StoreFailed
    """
    store = folder / FILE_NAME
    try:
        is_store = store.exists() and source.exists() and store.samefile(source)
    except OSError as error:
        raise StoreUnsuitable(f"{source} cannot be used: {error.strerror}") from error
    if is_store:
        raise StoreUnsuitable(f"{source} is the store itself")
    with reported("restore the store", source):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with closing(_open_source(source)) as opened, _draft(store) as draft:
            if of_site is not None:
                _require_site(opened, of_site, source)
            _copy(opened, draft)
            locked_out = _bring_up_to_date(draft, folder)
            last = _last_of(draft)
            aside = set_aside(folder, "replaced", at_s=at_s)
            put_in_place(draft, store)
    return Restored(last, aside, locked_out)


@contextmanager
def _draft(target: Path) -> Iterator[Path]:
    """An empty private file beside the target; gone at the end unless it was given its name."""
    draft = target.with_name(f".{target.name}.{os.getpid()}")
    os.close(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    try:
        yield draft
    finally:
        for ending in ("", "-journal", "-wal", "-shm"):
            draft.with_name(draft.name + ending).unlink(missing_ok=True)


def _copy(source: sqlite3.Connection, draft: Path) -> None:
    """Copy, and check every page of the copy."""
    with closing(sqlite3.connect(draft, isolation_level=None)) as copy:
        source.backup(copy, pages=-1)
        # one file that stands alone, without side files
        copy.execute("PRAGMA journal_mode = DELETE")
        (found,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
    if found != "ok":
        raise StoreDamaged(f"the store is damaged: {' '.join(str(found).split())}")


def _last_of(draft: Path) -> Decision | None:
    """The last decision; none where its row is damaged, for which no backup is worth less."""
    with closing(sqlite3.connect(draft, isolation_level=None)) as copy:
        try:
            return Reader(copy, draft).latest_decision()
        except StoreFailed:
            return None


def _open_source(source: Path) -> sqlite3.Connection:
    """A store of this or an earlier schema, read-only; what is none is refused."""
    if not source.is_file():
        raise StoreUnsuitable(f"there is no file {source}")
    connection = _read_only(source)
    try:
        _require_ours(connection, source)
    except BaseException:
        connection.close()
        raise
    return connection


def _read_only(path: Path) -> sqlite3.Connection:
    uri = f"file:{quote(str(path.absolute()))}?mode=ro"
    return sqlite3.connect(uri, uri=True, isolation_level=None)


def _require_ours(connection: sqlite3.Connection, source: Path) -> None:
    known = len(migrations.MIGRATIONS)
    found = migrations.version(connection)
    if found > known:
        raise StoreUnsuitable(
            f"{source} was written by a newer slabtide (its schema is {found}, this one knows "
            f"{known}); install that version first"
        )
    if found < 1:
        raise StoreUnsuitable(f"{source} is a database, but no store of slabtide's")
    require_tables(connection, steps=found)


def _require_site(connection: sqlite3.Connection, of_site: str, source: Path) -> None:
    """Another site's records would be taken for this one's past: its slab, its sessions."""
    try:
        texts = connection.execute("SELECT text FROM configuration ORDER BY id DESC").fetchall()
    except sqlite3.OperationalError:
        return  # an early schema keeps no texts
    found = next((m[1] for (text,) in texts if (m := _SITE_ID.search(text))), of_site)
    if found != of_site:
        raise StoreUnsuitable(
            f"{source} holds the records of the site {found}, and this is {of_site}; where it is "
            f"the same one under a new id, say --of-site {found}"
        )


_SITE_ID = re.compile(r"""^id:[ \t]*["']?([\w-]+)""", re.MULTILINE)
"""In a site file that was accepted; no other file has such a line."""


def _current_states(folder: Path) -> dict[str, HeaterState]:
    """The heaters' states in the store that is to be replaced, as far as they can be read.

    Of whatever schema it is: the states have kept their place since there are any.
    """
    states: dict[str, HeaterState] = {}
    with contextlib.suppress(sqlite3.Error), closing(_read_only(folder / FILE_NAME)) as current:
        for heater, text in current.execute("SELECT heater, state FROM heater_state"):
            states[heater] = _readable(text)
    return states


def _bring_up_to_date(draft: Path, folder: Path) -> tuple[str, ...]:
    """Migrate a copy and give it the states to go on from; the heaters that are locked out."""
    current, marks = _current_states(folder), LockoutMarks(folder)
    with closing(sqlite3.connect(draft, isolation_level=None)) as copy:
        migrations.migrate(copy)
        require_tables(copy)
        with transaction(copy):
            kept = copy.execute("SELECT heater, state FROM heater_state").fetchall()
            old = {heater: _readable(text) for heater, text in kept}
            states = {
                heater: _to_go_on_from(old.get(heater), current.get(heater), marks.of(heater))
                for heater in old.keys() | current.keys()
            }
            copy.executemany(
                "INSERT OR REPLACE INTO heater_state VALUES (?, ?)",
                [(heater, rows.to_json(state)) for heater, state in states.items()],
            )
    return tuple(sorted(heater for heater, state in states.items() if state.latched))


def _readable(text: str) -> HeaterState:
    """A state; one that cannot be read may have held a lockout, and counts as one."""
    try:
        return rows.state_from(text)
    except ValueError:
        return HeaterState(latched=frozenset({"a rule whose name was lost with the stored state"}))


def _to_go_on_from(
    old: HeaterState | None, current: HeaterState | None, marked: frozenset[str]
) -> HeaterState:
    before, now = old or HeaterState(), current or HeaterState()
    return HeaterState(
        sequence=max(before.sequence, now.sequence),
        issued_s=max(before.issued_s, now.issued_s),
        heating=False,
        latched=before.latched | now.latched | marked,
        memories=now.memories,
    )
