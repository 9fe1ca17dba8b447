"""What the soak runs in: a broker, a simulated workshop through a whole year, and the service."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from controller.brokers import PrivateBroker, start_broker
from controller.calendar import sessions
from controller.configuration import Configuration, load_all
from controller.records.instant import Instant
from controller.rehearsal.pacer import Pacer, ServiceGone
from controller.rehearsal.weather import Row, Station, Weather
from controller.rehearsal.wired_workshop import WiredWorkshop
from controller.rehearsal.workshop import Workshop
from tests.soak.served import CHILD_TIME_S

EXAMPLE = Path(__file__).resolve().parents[2] / "config"
FROM = datetime(2027, 1, 4, 5, tzinfo=UTC)
"""Midnight of a Monday at the example's workshop."""
END_S = 60.0


@dataclass(frozen=True, slots=True)
class Order:
    """What to soak.

    Attributes
    ----------
    days : float
        Simulated days.
    tick_s, replan_s : float
        Simulated time between two ticks and between two plans [s].
    learn_days : int
        Simulated days between two fits.
    seed : int
        Of people, doors and sensors.
    leak : tuple of str
        What the service is to leak, of ``served.LEAKS``.
    folder : Path or None
        Where the records stay; they are thrown away where none is given.
    """

    days: float
    tick_s: float
    replan_s: float
    learn_days: int = 7
    seed: int = 7
    leak: tuple[str, ...] = ()
    folder: Path | None = None

    @property
    def ticks(self) -> int:
        """Number of ticks."""
        return round(self.days * 86_400.0 / self.tick_s)


@dataclass(slots=True)
class Scene:
    """Everything under way, and the number of the service's process."""

    configuration: Configuration
    broker: PrivateBroker
    wired: WiredWorkshop
    pacer: Pacer
    pid: int
    moment: Instant
    heats: int = 0
    """Ticks after which the relay was closed."""

    def tick(self, tick_s: float) -> None:
        """Lead service and workshop through one tick."""
        commands = self.pacer.step(self.moment, self.wired.send_messages)
        self.wired.wait_for_commands(commands)
        self.heats += self.wired.heating
        self.wired.advance(tick_s)
        self.moment = Instant(self.moment.utc_s + tick_s, self.moment.mono_s + tick_s)


@contextmanager
def started(order: Order) -> Iterator[Scene]:
    """Start broker, workshop and service; end them on leaving."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="slabtide-soak-")))
        broker = stack.enter_context(start_broker())
        site_path = write_site(order.folder or folder, broker)
        configuration = load_all(site_path)
        start = Instant(FROM.timestamp(), 1000.0)
        socket = folder / "pace"
        pacer = stack.enter_context(Pacer(socket, wait_s=CHILD_TIME_S + 60.0))
        wired = _workshop(configuration, order, start)
        stack.callback(wired.close)
        process = stack.enter_context(_service(order, site_path, socket))
        stack.callback(pacer.hang_up)  # the service then stops by itself
        pacer.accept()
        yield Scene(configuration, broker, wired, pacer, process.pid, start)


def _workshop(configuration: Configuration, order: Order, start: Instant) -> WiredWorkshop:
    site = configuration.site
    (heater,) = site.heaters
    booked = sessions(
        configuration.bookings,
        time_zone=site.time_zone,
        since_s=start.utc_s,
        until_s=start.utc_s + (order.days + 8) * 86_400.0,
    )
    building = Workshop(
        site,
        heater.id,
        whole_year(site.latitude_deg, site.longitude_deg),
        booked,
        start_s=start.utc_s,
        seed=order.seed,
        spread=0.15,
    )
    return WiredWorkshop(building, site=site, heater=heater, broker=site.broker, start=start)


def whole_year(latitude_deg: float, longitude_deg: float) -> Weather:
    """A made-up year: -3 °C in January to 24 °C in July, warmer afternoons, sun by day.

    The project's own weather files hold winters; this is to pass the time, not to judge control.
    """
    rows: dict[int | tuple[int, int, int], Row] = {}
    for number in range(365):
        day = date(2027, 1, 1) + timedelta(days=number)
        season = -math.cos(2.0 * math.pi * (number - 15) / 365.0)
        spell_k = 4.0 * math.sin(2.0 * math.pi * number / 6.3)
        for hour in range(1, 25):
            course = math.sin(2.0 * math.pi * (hour - 9) / 24.0)
            sun = max(0.0, math.sin(math.pi * (hour - 6.5) / 12.0)) * (450.0 + 350.0 * season)
            outdoor_c = 10.5 + 13.5 * season + spell_k + 4.0 * course
            rows[day.month, day.day, hour] = (outdoor_c, sun, 3.0 + 2.0 * course)
    return Weather("a made-up year", Station(latitude_deg, longitude_deg, -5.0), True, rows)


def write_site(folder: Path, broker: PrivateBroker) -> Path:
    """Write the example's files with this broker and a store beside them; the site file."""
    folder.mkdir(parents=True, exist_ok=True)
    text = (EXAMPLE / "site.yaml").read_text(encoding="utf-8")
    address = f'  host: {broker.host}\n  port: {broker.port}\n  protocol: "3.1.1"'
    text = re.sub(r"^  host: .*$", address, text, count=1, flags=re.MULTILINE)
    text = re.sub(r"^store: .*$", "store: state", text, count=1, flags=re.MULTILINE)
    (folder / "site.yaml").write_text(text, encoding="utf-8")
    for name in ("limits.yaml", "bookings.yaml"):
        shutil.copy(EXAMPLE / name, folder)
    return folder / "site.yaml"


@contextmanager
def _service(order: Order, site_path: Path, socket: Path) -> Iterator[subprocess.Popen[bytes]]:
    command = [sys.executable, "-m", "tests.soak.served", str(site_path), str(socket)]
    command += ["--replan-s", str(order.replan_s), "--learn-days", str(order.learn_days)]
    command += ["--leak", *order.leak]
    process = subprocess.Popen(command, cwd=EXAMPLE.parent)
    try:
        yield process
        process.wait(timeout=END_S)
    except ServiceGone as error:
        raise RuntimeError(f"the service ended with code {process.wait(END_S)}") from error
    finally:
        process.kill()
        process.wait()
    if process.returncode != 0:
        raise RuntimeError(f"the service ended with code {process.returncode}")
