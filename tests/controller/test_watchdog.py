"""The watchdog: when a tick counts as hung, and that the process then really ends."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller.clock import SteppedClock
from controller.records.instant import Instant
from controller.watchdog import EXIT_HUNG, HANG_S, Watchdog

START = Instant(utc_s=1.7e9, mono_s=50.0)


def bitten() -> None:
    raise AssertionError("the watchdog bit")


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(START)


@pytest.fixture
def watchdog(clock: SteppedClock) -> Watchdog:
    """A watchdog whose thread is not started: its judgement alone."""
    return Watchdog(clock, bite=bitten)


def test_quiet_before_the_first_pat(clock: SteppedClock, watchdog: Watchdog) -> None:
    """What has not begun cannot hang."""
    clock.advance(1000.0)
    assert not watchdog.hung()


@pytest.mark.parametrize(("after_s", "hung"), [(0.0, False), (HANG_S, False), (30.01, True)])
def test_hung_after_half_a_minute(
    clock: SteppedClock, watchdog: Watchdog, after_s: float, hung: bool
) -> None:
    """Up to 30 s without a finished tick are borne, and not a moment more."""
    watchdog.pat()
    clock.advance(after_s)
    assert watchdog.hung() is hung
    assert watchdog.since_pat_s() == pytest.approx(after_s)


def test_each_tick_starts_the_time_anew(clock: SteppedClock, watchdog: Watchdog) -> None:
    """Ticks that finish, however late each is, do not add up."""
    watchdog.pat()
    for _ in range(5):
        clock.advance(29.0)
        assert not watchdog.hung()
        watchdog.pat()


def test_the_wall_clock_has_no_say(clock: SteppedClock, watchdog: Watchdog) -> None:
    """A step of the wall clock neither hides a hung tick nor makes one up."""
    watchdog.pat()
    clock.set(Instant(START.utc_s + 86400.0, START.mono_s + 10.0))
    assert not watchdog.hung()
    clock.set(Instant(START.utc_s - 86400.0, START.mono_s + 31.0))
    assert watchdog.hung()


def test_rests_while_no_tick_is_due(clock: SteppedClock, watchdog: Watchdog) -> None:
    """Between the ticks of a paced clock nothing counts, until the next one begins."""
    watchdog.pat()
    watchdog.rest()
    clock.advance(1000.0)
    assert not watchdog.hung()
    assert watchdog.since_pat_s() == 0.0
    watchdog.pat()
    clock.advance(31.0)
    assert watchdog.hung()


HANGS = """
import os
import sys
import threading
from controller.clock import SystemClock
from controller.watchdog import Watchdog

watchdog = Watchdog(SystemClock(), hang_s=0.2)
watchdog.start()
{then}
try:
    threading.Event().wait(20.0)
finally:
    print("cleaned up")
"""


LOCKED = "import logging; logging.basicConfig(); logging.root.handlers[0].acquire()"
"""What hangs is in the middle of a line of the log."""
FULL = """
reader, writer = os.pipe()
os.set_blocking(writer, False)
try:
    while True:
        os.write(writer, b"x" * 4096)
except BlockingIOError:
    os.set_blocking(writer, True)
os.dup2(writer, 2)
"""
"""Standard error is a pipe that is full, and blocks whoever writes to it."""


def run_until_it_ends(then: str) -> tuple[subprocess.CompletedProcess[str], float]:
    """How the process ended and what it said, and how long it lived [s]."""
    begun_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", HANGS.format(then=then)], capture_output=True, text=True, timeout=20
    )
    return done, time.monotonic() - begun_s


def test_a_hung_process_ends_itself() -> None:
    """With no tick finished it ends with code 70, in time, and without any clean-up."""
    done, lived_s = run_until_it_ends("")
    assert done.returncode == EXIT_HUNG
    # no clean-up means no DISCONNECT, so that the broker speaks the will
    assert done.stdout == ""
    # the limit, a second between two looks, and what Python takes to start on a busy machine
    assert lived_s < 10.0


def test_a_thread_that_goes_on_does_not_hide_a_hung_tick() -> None:
    """Another thread that still works, as the network's does, keeps nothing alive."""
    busy = "threading.Thread(target=lambda: [sum(range(999)) for _ in range(10**9)]).start()"
    done, lived_s = run_until_it_ends(busy)
    assert done.returncode == EXIT_HUNG
    assert lived_s < 10.0


@pytest.mark.parametrize("then", ["", LOCKED])
def test_the_end_is_told(then: str) -> None:
    """One line on standard error says what happened, also where what hangs holds its lock."""
    done, _ = run_until_it_ends(then)
    [line] = done.stderr.splitlines()
    assert re.match(r"CRITICAL no tick has finished for \d+ s: .* with code 70", line)


@pytest.mark.parametrize("then", [FULL, "os.close(2)", "sys.__stderr__ = sys.stderr = None"])
def test_what_cannot_be_told_does_not_keep_it_alive(then: str) -> None:
    """A pipe that nobody empties, or no standard error at all, costs the line and no more."""
    done, lived_s = run_until_it_ends(then)
    assert done.returncode == EXIT_HUNG
    assert lived_s < 10.0


def test_a_stopped_watchdog_does_not_bite() -> None:
    """After a clean stop the process ends in its own way and with its own code."""
    then = "watchdog.stop(); threading.Event().wait(1.5); raise SystemExit(3)"
    done, _ = run_until_it_ends(then)
    assert done.returncode == 3
    assert done.stderr == ""


@pytest.mark.parametrize("abstract", [False, True])
def test_the_service_manager_hears_of_every_tick(
    watchdog: Watchdog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, abstract: bool
) -> None:
    """As sd_notify(3) has it; nobody there, or a full door, does no harm."""
    address = f"@slabtide-{tmp_path.name}-{os.getpid()}" if abstract else str(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    watchdog.pat()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.settimeout(5.0)
        manager.bind(address.replace("@", "\0", 1))
        watchdog.pat()
        assert manager.recv(100) == b"WATCHDOG=1"
        for _ in range(2000):
            watchdog.pat()
