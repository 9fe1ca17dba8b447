"""Which SQLite may hold the record, and which is known to have a fault.

Affected and corrected versions: https://sqlite.org/wal.html, *The WAL-Reset Bug*.
"""

from __future__ import annotations

import pytest

from controller.store import StoreUnsuitable
from controller.store.sqlite_version import check_library, known_fault


@pytest.mark.parametrize(
    "version", [(3, 7, 0), (3, 40, 1), (3, 44, 5), (3, 45, 0), (3, 50, 6), (3, 51, 0), (3, 51, 2)]
)
def test_a_faulty_version_is_named(version: tuple[int, int, int]) -> None:
    """The owner is told the version, the fault and where it is corrected."""
    told = known_fault(version)
    assert told is not None
    assert ".".join(map(str, version)) in told
    assert "3.51.3" in told


@pytest.mark.parametrize(
    "version", [(3, 44, 6), (3, 44, 9), (3, 50, 7), (3, 51, 3), (3, 52, 0), (4, 0, 0)]
)
def test_a_corrected_version_is_not(version: tuple[int, int, int]) -> None:
    """Both corrected branches and everything newer are silent."""
    assert known_fault(version) is None


def test_a_library_that_cannot_hold_the_record_is_refused() -> None:
    """Too old, or built for one thread; the one in use and an affected one are good enough."""
    check_library()
    check_library((3, 40, 1), 1)
    check_library((3, 24, 0), 3)
    with pytest.raises(StoreUnsuitable, match="too old"):
        check_library((3, 23, 1), 3)
    with pytest.raises(StoreUnsuitable, match="single thread"):
        check_library((3, 51, 3), 0)
