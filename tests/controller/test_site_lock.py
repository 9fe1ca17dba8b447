"""The lock by which one service serves one site, and by which others see that it runs."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable
from pathlib import Path

import pytest

from controller import site_lock as module
from controller.site_lock import FILE_NAME, AlreadyRunning, is_held, site_lock


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.yaml"
    path.touch()
    return path


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "records"


def close(monkeypatch: pytest.MonkeyPatch, closed: Iterable[Path], *, also_to_look: bool) -> None:
    """Have these files refused as if the disk were read-only, or as if they were another user's."""
    real, refused = os.open, set(closed)

    def refuse(path: Path, flags: int, *more: int) -> int:
        if path in refused and (also_to_look or flags & (os.O_RDWR | os.O_CREAT)):
            raise OSError(errno.EROFS, "Read-only file system", str(path))
        return real(path, flags, *more)

    monkeypatch.setattr(os, "open", refuse)


def test_it_is_held_while_a_service_runs_and_not_after(store: Path, site: Path) -> None:
    """Nor before there is any record; looking leaves nothing behind."""
    assert not is_held(store, site)
    assert not store.exists()
    with site_lock(store, site):
        assert is_held(store, site)
    assert not is_held(store, site)


def test_a_second_service_is_refused(store: Path, site: Path) -> None:
    """While the first one runs; when it has ended the next may start."""
    with site_lock(store, site), pytest.raises(AlreadyRunning), site_lock(store, site):
        pass
    with site_lock(store, site):
        pass


def test_who_only_looks_keeps_no_service_from_starting(
    store: Path, site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lock that is busy for a moment is tried once more."""
    answers = iter([True, False, True, True])
    monkeypatch.setattr(module, "_locks", lambda descriptor, how: next(answers))
    with site_lock(store, site):
        pass
    assert next(answers, None) is None


@pytest.mark.parametrize("there", [True, False], ids=["lock file of another", "none"])
@pytest.mark.parametrize("closed_now", [True, False])
def test_records_that_cannot_be_written_are_locked_all_the_same(
    store: Path, site: Path, monkeypatch: pytest.MonkeyPatch, there: bool, closed_now: bool
) -> None:
    """A second service is kept away, also where it can write what the first one could not."""
    store.mkdir()
    if there:
        (store / FILE_NAME).touch()
    with monkeypatch.context() as patched:
        close(patched, [store / FILE_NAME], also_to_look=False)
        with site_lock(store, site):
            if not closed_now:
                patched.undo()
            assert is_held(store, site)
            with pytest.raises(AlreadyRunning), site_lock(store, site):
                pass
        assert not is_held(store, site)


@pytest.mark.parametrize("mended", [True, False])
def test_without_any_folder_the_site_file_is_locked(
    tmp_path: Path, site: Path, mended: bool
) -> None:
    """The records' folder cannot be made, or only after the first service has started."""
    (tmp_path / "file").touch()
    store = tmp_path / "file" / "records"
    with site_lock(store, site):
        if mended:
            (tmp_path / "file").unlink()
        assert is_held(store, site)
        with pytest.raises(AlreadyRunning), site_lock(store, site):
            pass
    assert not is_held(store, site)


def test_with_nothing_to_be_locked_the_service_runs(
    store: Path, site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Frost protection comes before the question whether there are two."""
    close(monkeypatch, [site, store, store / FILE_NAME], also_to_look=True)
    with site_lock(store, site):
        assert not is_held(store, site)


def test_a_folder_that_cannot_be_looked_at_ends_nothing(
    store: Path, site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether others may reach the records is asked after the lock, and may fail."""

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", refuse)
    with site_lock(store, site):
        pass
