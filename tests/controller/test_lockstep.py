"""The service's end of the lockstep socket, whatever the pacer does."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.lockstep import NoPacer, Pace, PacerGone
from controller.records.instant import Instant


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listening:
        listening.bind(str(tmp_path / "pace"))
        listening.listen(1)
        yield listening


@pytest.fixture
def pace(listener: socket.socket, tmp_path: Path) -> Iterator[Pace]:
    made = Pace(tmp_path / "pace")
    yield made
    made.close()


@pytest.fixture
def pacer(pace: Pace, listener: socket.socket) -> Iterator[socket.socket]:
    """The other end, which says what a test has it say."""
    connection, _ = listener.accept()
    with connection:
        yield connection


def test_a_moment_is_read(pace: Pace, pacer: socket.socket) -> None:
    """Both clocks, as they were sent."""
    pacer.sendall(b'{"utc_s": 1765000000.0, "mono_s": 86400.0}\n')
    assert pace.next_moment() == Instant(1765000000.0, 86400.0)


@pytest.mark.parametrize(
    "line",
    [
        b"\n", b"tick\n", b"[]\n", b"{}\n", b'{"utc_s": 1}\n', b"\xff\n", b"[" * 99_999 + b"\n",
        b'{"utc_s": "now", "mono_s": 1}\n', b'{"utc_s": NaN, "mono_s": 1}\n',
        b'{"utc_s": 1e300, "mono_s": 1}\n', b'{"utc_s": -1, "mono_s": 1}\n',
        b'{"utc_s": 1, "mono_s": 1e999}\n', b'{"utc_s": 1, "mono_s": 1',
    ],
)  # fmt: skip
def test_a_line_that_is_no_moment_is_refused(pace: Pace, pacer: socket.socket, line: bytes) -> None:
    """What is no pacer's line ends the service by a sentence."""
    pacer.sendall(line)
    pacer.shutdown(socket.SHUT_WR)
    with pytest.raises(NoPacer, match="makes no sense"):
        pace.next_moment()


def test_time_does_not_go_back(pace: Pace, pacer: socket.socket) -> None:
    """A monotonic clock that is set back is no clock of a pacer."""
    pacer.sendall(b'{"utc_s": 9.0, "mono_s": 9.0}\n{"utc_s": 9.0, "mono_s": 8.0}\n')
    assert pace.next_moment() == Instant(9.0, 9.0)
    with pytest.raises(NoPacer):
        pace.next_moment()


def test_hanging_up_between_ticks_is_the_end(pace: Pace, pacer: socket.socket) -> None:
    """No more moments."""
    pacer.close()
    assert pace.next_moment() is None


def test_hanging_up_with_words_unread_is_the_end_too(pace: Pace, pacer: socket.socket) -> None:
    """The system then reports a reset connection, not its end."""
    pace.done({"boiler": 1})
    pacer.close()
    assert pace.next_moment() is None


def test_hanging_up_within_a_tick_is_told(pace: Pace, pacer: socket.socket) -> None:
    """The tick cannot go on; nothing else can be made of it."""
    pacer.close()
    with pytest.raises(PacerGone):
        pace.clock_is_set()
