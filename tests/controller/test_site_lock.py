"""The lock by which one service serves one site, and by which others see that it runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller import site_lock as module
from controller.site_lock import AlreadyRunning, is_held, site_lock


def test_it_is_held_while_a_service_runs_and_not_after(tmp_path: Path) -> None:
    """Nor before there is any record; looking leaves nothing behind."""
    store = tmp_path / "records"
    assert not is_held(store)
    assert not store.exists()
    with site_lock(store):
        assert is_held(store)
    assert not is_held(store)


def test_a_second_service_is_refused(tmp_path: Path) -> None:
    """While the first one runs; when it has ended the next may start."""
    with site_lock(tmp_path), pytest.raises(AlreadyRunning), site_lock(tmp_path):
        pass
    with site_lock(tmp_path):
        pass


def test_who_only_looks_keeps_no_service_from_starting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lock that is busy for a moment is tried once more."""
    answers = iter([False, True])
    monkeypatch.setattr(module, "_locks", lambda descriptor, how: next(answers))
    with site_lock(tmp_path):
        pass
    assert next(answers, None) is None
