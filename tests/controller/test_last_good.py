"""A mistake in the owner's files and then a start: frost protection must not end with a typo."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.configuration import Configuration, ConfigurationError, load_all
from controller.configuration_watch import ConfigurationWatch
from controller.last_good import load_or_last_good
from controller.records.decision import Notice, NoticeKind
from controller.store.writer import open_writer

EXAMPLES = Path(__file__).parents[2] / "config"
NAMES = ("site.yaml", "limits.yaml", "bookings.yaml")
MISTAKES = {"site.yaml": "zones: [\n", "limits.yaml": "oops\n", "bookings.yaml": "oops\n"}


class Owner:
    """The example's files, and the store that a service on them would keep."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "config"
        self.folder.mkdir()
        for name in NAMES:
            (self.folder / name).write_text((EXAMPLES / name).read_text("utf-8"), "utf-8")
        self.site_path = self.folder / "site.yaml"
        self.store = load_all(self.site_path).store

    def serve(self) -> Configuration:
        """Keep what is in force now, as a running service does."""
        current = load_all(self.site_path)
        writer = open_writer(self.store)
        for name, text in current.texts.items():
            writer.keep_configuration(name, text, 1.8e9)
        writer.close()
        return current

    def edit(self, name: str, old: str, new: str) -> None:
        path = self.folder / name
        text = path.read_text("utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), "utf-8")

    def spoil(self, *names: str) -> None:
        for name in names:
            with (self.folder / name).open("a", encoding="utf-8") as file:
                file.write(MISTAKES[name])

    def start(self) -> tuple[Configuration, Notice]:
        found, broken = load_or_last_good(self.site_path)
        assert broken is not None
        assert broken.alarm
        assert broken.kind is NoticeKind.KEPT_LAST_CONFIGURATION
        return found, broken


@pytest.fixture
def owner(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Owner:
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    return Owner(tmp_path)


def test_good_files_are_taken_as_they_are(owner: Owner) -> None:
    """Without a mistake the store has no say, and there is no alarm."""
    owner.serve()
    owner.edit("limits.yaml", "slab_max_c: 40", "slab_max_c: 31")
    found, broken = load_or_last_good(owner.site_path)
    assert (found.limits.slab_max_c, broken) == (31.0, None)


@pytest.mark.parametrize("names", [*((name,) for name in NAMES), NAMES])
def test_what_is_broken_is_as_it_was(owner: Owner, names: tuple[str, ...]) -> None:
    """Each file alone and all of them, with an alarm that names the mistake and what holds."""
    before = owner.serve()
    owner.spoil(*names)
    found, broken = owner.start()
    assert found == before
    assert all(name in broken.text for name in names)
    assert "in the records stays in force" in broken.text


def test_what_is_good_is_new(owner: Owner) -> None:
    """Tighter limits are not undone by a typo among the bookings."""
    owner.serve()
    owner.edit("limits.yaml", "slab_max_c: 40", "slab_max_c: 31")
    owner.spoil("bookings.yaml")
    found, _ = owner.start()
    assert found.limits.slab_max_c == 31.0
    assert found.bookings.bookings != ()


def test_what_does_not_fit_the_old_version_is_old_too(owner: Owner) -> None:
    """New bookings for a zone that only the broken site file has."""
    before = owner.serve()
    for name in ("site.yaml", "bookings.yaml"):
        text = (owner.folder / name).read_text("utf-8")
        (owner.folder / name).write_text(text.replace("boat-bay", "sail-loft"), "utf-8")
    load_all(owner.site_path)  # fits, as it is
    owner.spoil("site.yaml")
    found, broken = owner.start()
    assert found == before
    assert "bookings.yaml" in broken.text


def test_the_last_version_counts(owner: Owner) -> None:
    """Of several that were in force."""
    owner.serve()
    owner.edit("limits.yaml", "slab_max_c: 40", "slab_max_c: 31")
    owner.serve()
    owner.spoil("limits.yaml")
    assert owner.start()[0].limits.slab_max_c == 31.0


@pytest.mark.parametrize("served", [True, False])
def test_broken_bookings_that_nothing_stands_in_for_are_none(owner: Owner, served: bool) -> None:
    """No store yet, or bookings that no longer fit the site: frost protection alone, and told."""
    if served:
        owner.serve()
        text = owner.site_path.read_text("utf-8")
        owner.site_path.write_text(text.replace("boat-bay", "sail-loft"), "utf-8")
    owner.spoil("bookings.yaml")
    found, broken = owner.start()
    assert found.bookings.bookings == ()
    assert "No bookings are in force" in broken.text
    assert set(found.texts) == {"site.yaml", "limits.yaml"}  # none is not kept as a version


@pytest.mark.parametrize("name", ["site.yaml", "limits.yaml"])
def test_without_a_version_before_there_is_no_start(owner: Owner, name: str) -> None:
    """As always: every problem of the files, and only theirs."""
    owner.spoil(name)
    with pytest.raises(ConfigurationError) as raised:
        load_or_last_good(owner.site_path)
    assert {Path(problem.file).name for problem in raised.value.problems} >= {name}


def latin_1(text: str) -> bytes:
    return text.replace("8 m x 6 m", "8\xb0 m x 6 m").encode("latin-1")


def too_long(text: str) -> bytes:
    return text.encode() + b"#" * 1_000_000


@pytest.mark.parametrize("spoil", [latin_1, too_long])
def test_a_byte_that_is_no_text_hides_no_store(owner: Owner, spoil: Callable[[str], bytes]) -> None:
    """The lines that name the records can be read all the same."""
    before = owner.serve()
    owner.site_path.write_bytes(spoil(owner.site_path.read_text("utf-8")))
    assert owner.start()[0] == before


@pytest.mark.parametrize("left", [b"", b"\0" * 4000, b"id: tern-quay\ntime_z", None])
def test_a_site_file_that_is_lost_is_as_it_was_in_the_services_own_folder(
    owner: Owner, monkeypatch: pytest.MonkeyPatch, left: bytes | None
) -> None:
    """What a power cut leaves of a file just saved: systemd still tells where the records are."""
    before = owner.serve()
    monkeypatch.setenv("STATE_DIRECTORY", str(owner.store))
    owner.site_path.unlink()
    if left is not None:
        owner.site_path.write_bytes(left)
    found, broken = owner.start()
    assert found == before
    assert "site.yaml" in broken.text


def test_the_services_own_folder_must_be_this_sites(
    owner: Owner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not another site's, nor one that the records have been moved away from or copied into."""
    owner.serve()
    monkeypatch.setenv("STATE_DIRECTORY", str(owner.store))
    owner.site_path.write_text("id: gull-yard\n", "utf-8")
    with pytest.raises(ConfigurationError):
        load_or_last_good(owner.site_path)
    copy = shutil.copytree(owner.store, owner.folder / "copy")
    monkeypatch.setenv("STATE_DIRECTORY", str(copy))
    owner.site_path.unlink()
    with pytest.raises(ConfigurationError):
        load_or_last_good(owner.site_path)


def test_a_site_file_that_names_no_store_ends_the_start(owner: Owner) -> None:
    """Without systemd's word nobody knows whose records those in the usual place are."""
    owner.serve()
    owner.edit("site.yaml", "store: ../state", "")
    with pytest.raises(ConfigurationError):
        load_or_last_good(owner.site_path)
    owner.site_path.unlink()
    with pytest.raises(ConfigurationError):
        load_or_last_good(owner.site_path)


def test_another_sites_records_stand_in_for_nothing(owner: Owner) -> None:
    """The limits that another workshop had are none of this one's."""
    owner.serve()
    owner.edit("site.yaml", "id: tern-quay", "id: gull-yard")
    owner.spoil("limits.yaml")
    with pytest.raises(ConfigurationError):
        load_or_last_good(owner.site_path)


def test_records_that_were_moved_do_not_lead_back(owner: Owner) -> None:
    """The old site file would send the service to a folder without its lockouts."""
    owner.serve()
    owner.store.rename(owner.store.with_name("moved"))
    owner.edit("site.yaml", "store: ../state", "store: ../moved")
    owner.spoil("bookings.yaml")
    found, _ = owner.start()
    assert found.store == owner.store.with_name("moved")
    assert found.bookings.bookings != ()
    owner.spoil("site.yaml")
    with pytest.raises(ConfigurationError):
        load_or_last_good(owner.site_path)


@pytest.mark.parametrize("rubbish", [True, False])
def test_what_the_store_keeps_is_checked_anew(owner: Owner, rubbish: bool) -> None:
    """A version that this one no longer takes, or a store that is damaged, ends the start."""
    owner.serve()
    if rubbish:
        (owner.store / "slabtide.db").write_bytes(b"rubbish" * 1000)
    else:
        writer = open_writer(owner.store)
        writer.keep_configuration("limits.yaml", "slab_max_c: 99\n", 1.9e9)
        writer.close()
    owner.spoil("limits.yaml")
    with pytest.raises(ConfigurationError) as raised:
        load_or_last_good(owner.site_path)
    assert "oops" in str(raised.value) or "YAML" in str(raised.value)


@pytest.mark.parametrize("served", [True, False])
def test_a_mended_file_is_taken_up(owner: Owner, served: bool) -> None:
    """As after any broken edit: at the next look, and the alarm is gone."""
    good = (owner.folder / "bookings.yaml").read_text("utf-8")
    if served:
        owner.serve()
    owner.spoil("bookings.yaml")
    found, broken = owner.start()
    watch = ConfigurationWatch(owner.site_path, found, broken)
    assert watch.look() is False
    assert broken in watch.notices
    (owner.folder / "bookings.yaml").write_text(good, "utf-8")
    os.utime(owner.folder / "bookings.yaml", (2e9, 2e9))
    assert watch.look() is not served
    assert broken not in watch.notices
    assert watch.current == load_all(owner.site_path)
