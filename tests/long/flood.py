"""The real service under 10,000 messages a second on one topic: memory, ticks and the record.

Started from the root of the checkout::

    python -m tests.long.flood --seconds 60

The service runs on the machine's own clock with a broker of its own. The other sensors speak every
five seconds. Each ten seconds the process is looked at; at the end the record tells what was lost,
that every other sensor was heard, and how long a tick was late.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from itertools import pairwise
from pathlib import Path

from controller.brokers import start_broker
from controller.configuration import Configuration, load_all
from controller.records.decision import Decision, NoticeKind
from controller.records.limits import TICK_S
from controller.records.readings import Condition, Rejection
from controller.store import open_reader
from tests.contracts.flooding import Flood
from tests.soak.samples import look_at
from tests.soak.scene import write_site

FLOODED = "roof-sun"
GROWTH_MIB = 40.0
"""Most growth that is no fault: 8 MiB held by the intake, as much taken by a tick, and what the
library and the allocator need for them [MiB]."""
LATE_S = 5.0
"""Longest lateness of a tick [s]: the lease outlasts eleven lost ticks."""
BEFORE_S = 15.0
LOOK_S = 10.0


def main(arguments: Sequence[str] | None = None) -> int:
    """Flood and judge; the exit code, 1 where something broke."""
    parser = argparse.ArgumentParser(prog="python -m tests.long.flood", description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0, help="length of the flood")
    seconds = parser.parse_args(arguments).seconds
    with tempfile.TemporaryDirectory(prefix="slabtide-flood-") as name, start_broker() as broker:
        configuration = load_all(write_site(Path(name), broker))
        with _service(Path(name) / "site.yaml") as process:
            growth_mib, sent = _flooded(configuration, process.pid, seconds)
        with closing(open_reader(configuration.store)) as reader:
            decisions = reader.decisions(0.0, 1e11)
            lost = sum(
                count.count
                for count in reader.rejections()
                if count.sensor == FLOODED and count.reason is Rejection.LOST_UNDER_LOAD
            )
            others = {
                count.sensor
                for count in reader.rejections()
                if count.reason is Rejection.LOST_UNDER_LOAD and count.sensor != FLOODED
            }
    faults = [*_faults(decisions, growth_mib, lost), *(f"{name} lost readings" for name in others)]
    print(f"{sent} messages on one topic, {lost} of them counted as lost; {growth_mib:+.1f} MiB")
    for fault in faults:
        print(f"FAULT: {fault}")
    return 1 if faults else 0


@contextmanager
def _service(site_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    command = [sys.executable, "-m", "controller", "run", "--quiet", "--site", str(site_path)]
    process = subprocess.Popen(command)
    try:
        yield process
    finally:
        process.terminate()
        process.wait(30.0)


def _flooded(configuration: Configuration, pid: int, seconds: float) -> tuple[float, int]:
    """Flood the service; how much its memory grew at most [MiB], and how many messages it was."""
    topics = {sensor.id: sensor.topic for sensor in configuration.site.sensors}
    quiet = {topic for name, topic in topics.items() if name not in (FLOODED, "boiler-relay")}
    ended = threading.Event()

    def word(number: int) -> str:
        return f'{{"value": {100 + number % 50}, "time": {time.time():.3f}}}'

    def quiet_word(topic: str) -> str:
        return f'{{"value": 12.5, "time": {time.time():.3f}}}'

    ended.wait(BEFORE_S)
    before = look_at(pid, configuration.store, day=0.0)
    flood = Flood(configuration.site.broker, topics[FLOODED], word)
    speaker = threading.Thread(
        target=flood.run,
        args=(ended,),
        kwargs={
            "seconds": seconds, "quiet": quiet, "quiet_each_s": 5.0, "quiet_word": quiet_word
        },
    )  # fmt: skip
    speaker.start()
    peak_mib = before.own_mib
    began_s = time.monotonic()
    while speaker.is_alive():
        speaker.join(LOOK_S)
        now = look_at(pid, configuration.store, day=0.0)
        peak_mib = max(peak_mib, now.own_mib)
        took_s = time.monotonic() - began_s
        print(
            f"{took_s:5.0f} s, {max(0.0, seconds - took_s):.0f} s left: {now.own_mib:.1f} MiB of "
            f"its own, {flood.sent.total() / took_s:.0f} messages a second",
            flush=True,
        )
    ended.wait(1.5 * TICK_S)
    return peak_mib - before.own_mib, flood.sent[topics[FLOODED]]


def _faults(decisions: Sequence[Decision], growth_mib: float, lost: int) -> Iterator[str]:
    if growth_mib > GROWTH_MIB:
        yield f"memory grew by {growth_mib:.1f} MiB, allowed {GROWTH_MIB:g}"
    if lost == 0:
        yield "nothing was counted as lost"
    told = [d for d in decisions if any(n.kind is NoticeKind.READINGS_LOST for n in d.notices)]
    if not told:
        yield "no decision tells of lost readings"
        return
    for decision in told:
        stale = [s.sensor for s in decision.sensed if _unheard(s.sensor, s.condition)]
        if stale:
            yield f"not heard at {decision.at.utc_s:.0f}: {', '.join(stale)}"
    gaps = [later.at.mono_s - earlier.at.mono_s for earlier, later in pairwise(decisions)]
    if max(gaps) > 60.0 + TICK_S + LATE_S:
        yield f"{max(gaps):.0f} s without a decision on record"


def _unheard(sensor: str, condition: Condition) -> bool:
    return sensor != "boiler-relay" and condition is not Condition.FRESH


if __name__ == "__main__":
    sys.exit(main())
