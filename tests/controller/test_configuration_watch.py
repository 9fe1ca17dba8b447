"""Edits while the service runs: good ones are taken up, broken ones change nothing but an alarm."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from controller import configuration_watch
from controller.configuration import Configuration, ConfigurationError, Problem, load_all
from controller.configuration_watch import LOOKS, ConfigurationWatch, stamp_of
from controller.records.decision import Notice, NoticeKind
from controller.site_lock import site_lock
from controller.store.database import FILE_NAME

EXAMPLES = Path(__file__).parents[2] / "config"
NAMES = ("site.yaml", "limits.yaml", "bookings.yaml")


class Owner:
    """Edits copies of the example files, and looks as the service does."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._edits = 0
        for name in NAMES:
            (folder / name).write_text((EXAMPLES / name).read_text("utf-8"), "utf-8")
        self.site_path = folder / "site.yaml"
        self.first = load_all(self.site_path)
        self.watch = ConfigurationWatch(self.site_path, self.first)

    def edit(self, name: str, old: str, new: str) -> None:
        path = self.folder / name
        text = path.read_text("utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), "utf-8")
        self.touch(name)

    def touch(self, name: str) -> None:
        """Make every edit one of another second, however fast the test is."""
        self._edits += 1
        os.utime(self.folder / name, (2e9 + self._edits, 2e9 + self._edits))


@pytest.fixture
def owner(tmp_path: Path) -> Owner:
    return Owner(tmp_path)


def test_nothing_happens_without_an_edit(owner: Owner, monkeypatch: pytest.MonkeyPatch) -> None:
    """While no file changes, none is read again and the same configuration is in force."""

    def refuse(_: Path, **how: object) -> Configuration:
        raise AssertionError("read again")

    monkeypatch.setattr(configuration_watch, "load_all", refuse)
    assert [owner.watch.look() for _ in range(3)] == [False] * 3
    assert owner.watch.current is owner.first
    assert owner.watch.notices == ()


def test_an_edit_is_taken_up_at_the_next_look(owner: Owner) -> None:
    """A changed limit is in force from the next tick on, and told once."""
    owner.edit("limits.yaml", "slab_max_c: 40", "slab_max_c: 31")
    assert owner.watch.look() is True
    assert owner.watch.current.limits.slab_max_c == 31.0
    assert owner.watch.look() is False
    assert owner.watch.notices == ()


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("bookings.yaml", "start: 09:00", "start: 08:00"),
        ("site.yaml", "volume_m3: 192", "volume_m3: 200"),
        ("limits.yaml", "min_on_min: 5", "min_on_min: 9"),
    ],
)
def test_each_file_is_watched(owner: Owner, name: str, old: str, new: str) -> None:
    """An edit of any of the three files is taken up."""
    owner.edit(name, old, new)
    assert owner.watch.look() is True
    assert owner.watch.current != owner.first


def test_a_touched_file_is_no_change(owner: Owner) -> None:
    """Saving a file as it was is not told as a new configuration."""
    owner.touch("bookings.yaml")
    assert owner.watch.look() is False
    assert owner.watch.current == owner.first


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("bookings.yaml", "start: 09:00", "start: 25:00"),
        ("bookings.yaml", "bookings:", "boookings:"),
        ("limits.yaml", "slab_max_c: 40", "slab_max_c: 99"),
        ("limits.yaml", "slab_max_c: 40", ""),
        ("site.yaml", "zones:", "zones: ["),
        ("site.yaml", "host: localhost", "host: \x00"),
    ],
)
def test_a_broken_edit_keeps_the_last_good_version(
    owner: Owner, name: str, old: str, new: str
) -> None:
    """The service goes on with what it had, and an alarm names file, line and mistake."""
    owner.edit(name, old, new)
    assert owner.watch.look() is False
    assert owner.watch.current is owner.first
    (notice,) = owner.watch.notices
    assert notice.kind is NoticeKind.KEPT_LAST_CONFIGURATION
    assert notice.alarm
    assert f"{name}:" in notice.text
    assert "stays in force" in notice.text


def test_the_alarm_stands_until_the_file_is_repaired(owner: Owner) -> None:
    """Look after look the alarm is there; putting the file right clears it."""
    owner.edit("bookings.yaml", "start: 09:00", "start: noon-ish")
    owner.watch.look()
    assert all(not owner.watch.look() and len(owner.watch.notices) == 1 for _ in range(3))
    owner.edit("bookings.yaml", "start: noon-ish", "start: 10:00")
    assert owner.watch.look() is True
    assert owner.watch.notices == ()
    assert owner.watch.current != owner.first


def test_taking_a_broken_edit_back_clears_the_alarm_without_a_change(owner: Owner) -> None:
    """Back to the version in force: no alarm, and nothing new to take up."""
    owner.edit("bookings.yaml", "start: 09:00", "start: 25:00")
    owner.watch.look()
    owner.edit("bookings.yaml", "start: 25:00", "start: 09:00")
    assert owner.watch.look() is False
    assert owner.watch.notices == ()


def test_a_good_edit_beside_a_broken_file_waits(owner: Owner) -> None:
    """Nothing half is taken up: the good file comes into force with the repaired one."""
    owner.edit("bookings.yaml", "start: 09:00", "start: 25:00")
    owner.edit("limits.yaml", "slab_max_c: 40", "slab_max_c: 31")
    assert owner.watch.look() is False
    assert owner.watch.current.limits.slab_max_c == 40.0
    owner.edit("bookings.yaml", "start: 25:00", "start: 09:00")
    assert owner.watch.look() is True
    assert owner.watch.current.limits.slab_max_c == 31.0


def test_another_file_of_the_same_size_and_time_is_an_edit(owner: Owner) -> None:
    """A link that is turned to another file, as where a whole folder takes the place of another."""
    path = owner.folder / "limits.yaml"
    for name, limit in (("a", "40"), ("b", "31")):
        text = path.read_text("utf-8").replace("slab_max_c: 40", f"slab_max_c: {limit}")
        (owner.folder / name).write_text(text, "utf-8")
        os.utime(owner.folder / name, (1.0, 1.0))
    for name, edited in (("a", False), ("b", True)):
        (owner.folder / "link").symlink_to(owner.folder / name)
        (owner.folder / "link").replace(path)
        assert owner.watch.look() is edited
    assert owner.watch.current.limits.slab_max_c == 31.0


def test_a_change_of_rights_alone_is_an_edit(owner: Owner, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that could not be read is taken up once it can, though its text is as it was."""
    owner.edit("bookings.yaml", "start: 09:00", "start: 08:00")

    def refuse(*_: object, **__: object) -> Configuration:
        raise ConfigurationError([Problem("bookings.yaml", 1, 1, "closed", "open it")])

    with monkeypatch.context() as patched:
        patched.setattr(configuration_watch, "load_all", refuse)
        assert owner.watch.look() is False
    time_ns = (owner.folder / "bookings.yaml").stat().st_ctime_ns
    while (owner.folder / "bookings.yaml").stat().st_ctime_ns == time_ns:
        (owner.folder / "bookings.yaml").chmod(0o640)  # its own clock is a coarse one
    assert owner.watch.look() is True
    assert owner.watch.notices == ()


def test_an_edit_between_loading_and_the_first_look_is_seen(owner: Owner) -> None:
    """Whoever loads takes the stamp before."""
    stamp = stamp_of(owner.site_path)
    loaded = load_all(owner.site_path)
    owner.edit("bookings.yaml", "start: 09:00", "start: 08:00")
    watch = ConfigurationWatch(owner.site_path, loaded, stamp=stamp)
    assert watch.look() is True


def test_a_mistake_outside_the_files_is_looked_at_again(
    owner: Owner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A password file, a certificate: mended, it is noticed within a minute, without any edit.

    Until then the alarm of the start stands, which says what stands in for the files.
    """
    fault = ConfigurationError([Problem("site.yaml", 3, 1, "no such password file", "make it")])
    notice = Notice(
        NoticeKind.KEPT_LAST_CONFIGURATION, f"{fault.in_short} No bookings.", alarm=True
    )
    watch = ConfigurationWatch(owner.site_path, owner.first, notice)

    def refuse(*_: object, **__: object) -> Configuration:
        raise fault

    with monkeypatch.context() as patched:
        patched.setattr(configuration_watch, "load_all", refuse)
        assert not any(watch.look() for _ in range(3 * LOOKS))
        assert watch.notices == (notice,)
    assert not any(watch.look() for _ in range(LOOKS))
    assert watch.notices == ()


@pytest.mark.parametrize("name", NAMES)
def test_a_file_that_vanishes_is_a_broken_edit(owner: Owner, name: str) -> None:
    """A file moved away keeps the last good version with an alarm, until it is back."""
    text = (owner.folder / name).read_text("utf-8")
    (owner.folder / name).unlink()
    assert owner.watch.look() is False
    assert owner.watch.current is owner.first
    assert [notice.alarm for notice in owner.watch.notices] == [True]
    (owner.folder / name).write_text(text, "utf-8")
    owner.touch(name)
    owner.watch.look()
    assert owner.watch.notices == ()


def test_several_mistakes_are_counted(owner: Owner) -> None:
    """The alarm shows the first mistake and says how many more there are."""
    owner.edit("limits.yaml", "slab_max_c: 40", "slab_max_c: 99")
    owner.edit("limits.yaml", "supply_max_c: 55", "supply_max_c: 99")
    owner.watch.look()
    assert "and 1 more; see `slabtide check`" in owner.watch.notices[0].text


def test_records_are_not_moved_to_where_none_can_be_written(owner: Owner) -> None:
    """Lockouts could not go along, so the edit is none until there is such a folder."""
    (owner.folder / "file").touch()
    owner.edit("site.yaml", "store: ../state", "store: file/records")
    assert owner.watch.look() is False
    assert owner.watch.current is owner.first
    (notice,) = owner.watch.notices
    assert notice.alarm
    assert "Nothing can be written in" in notice.text
    owner.edit("site.yaml", "store: file/records", "store: records")
    assert owner.watch.look() is True
    assert owner.watch.current.store == owner.folder / "records"
    assert owner.watch.notices == ()


def newer(store: Path) -> None:
    with closing(sqlite3.connect(store / FILE_NAME)) as raw:
        raw.execute("PRAGMA user_version = 99")


def no_database(store: Path) -> None:
    (store / FILE_NAME).write_bytes(b"no database at all " * 400)


@pytest.mark.parametrize(("spoil", "why"), [(newer, "newer slabtide"), (no_database, "database")])
def test_records_are_not_moved_to_a_store_that_would_end_the_service(
    owner: Owner, spoil: Callable[[Path], None], why: str
) -> None:
    """What lies there is left as it is, and the alarm says what is wrong with it."""
    store = owner.folder / "other"
    store.mkdir()
    spoil(store)
    owner.edit("site.yaml", "store: ../state", "store: other")
    assert owner.watch.look() is False
    assert owner.watch.current is owner.first
    (notice,) = owner.watch.notices
    assert notice.alarm
    assert why in notice.text
    assert str(store) in notice.text


def test_records_are_not_moved_to_another_services(owner: Owner) -> None:
    """Its lock is held: the edit waits until it is not, and is taken up within a minute of that."""
    store = owner.folder / "other"
    elsewhere = owner.folder / "elsewhere.yaml"
    with site_lock(store, elsewhere):
        owner.edit("site.yaml", "store: ../state", "store: other")
        assert owner.watch.look() is False
        (notice,) = owner.watch.notices
        assert "Another service" in notice.text
    assert [owner.watch.look() for _ in range(LOOKS)] == [False] * (LOOKS - 1) + [True]
    assert owner.watch.notices == ()


def test_an_older_store_is_taken_as_it_is(owner: Owner) -> None:
    """Looking at it brings it not up to date: that may take long, and belongs to the opening."""
    store = owner.folder / "other"
    store.mkdir()
    sqlite3.connect(store / FILE_NAME).close()
    owner.edit("site.yaml", "store: ../state", "store: other")
    assert owner.watch.look() is True
    with closing(sqlite3.connect(store / FILE_NAME)) as raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (0,)
