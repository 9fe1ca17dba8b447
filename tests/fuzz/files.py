"""An owner's files: site, limits and bookings, and an earlier log in CSV."""

from __future__ import annotations

import random
import re
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from controller.calendar import sessions
from controller.codec import from_plain, to_plain
from controller.configuration import Configuration, ConfigurationError, Problem, load_all
from controller.configuration_watch import ConfigurationWatch
from controller.earlier_log import EarlierLog, LogError, read_log, samples
from controller.records.decision import NoticeKind
from controller.records.errands import PlanErrand
from controller.store import open_writer
from tests.fuzz.kinds import check_printable
from tests.fuzz.mutate import NUMBERS, TEXTS, TIMES, bytes_mutated

EXAMPLES = Path(__file__).parents[2] / "config"
NAMES = ("site.yaml", "limits.yaml", "bookings.yaml")
DAY_S = 86_400.0
MOMENTS_S = tuple(
    datetime(year, month, day, tzinfo=UTC).timestamp()
    for year, month, day in ((1970, 1, 5), (2026, 11, 26), (2027, 3, 13), (2999, 12, 31))
)
"""When sessions are asked for: between the first and the last moment that commands take."""

VALUES = (
    *NUMBERS[:-1], *TIMES, "2026-02-30", "9999-12-31", "0001-01-01", "1969-12-31", "2027-03-14",
    "02:30", "24:00", "23:59:60", "-1:00", "99:99", "yes", "no", "~", "null", "[]", "{}", "[a, b]",
    "{a: b}", "!!python/object:os.system x", "!!binary aGk=", "&a b", "*a", "|", ">", "'", '"',
    '"\\ud800"', '"\\x00"', '"\\u202e"', "%", "@", "`", "- a", "? a", "a: b", "°F", "Mars/Olympus",
    "../../../etc/passwd", "/dev/full", "a/../b", "+/#", "$SYS/x", "Europe/Berlin", "UTC",
)  # fmt: skip
BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{new}: &{new} [*{old}, *{old}, *{old}, *{old}, *{old}, *{old}, *{old}, *{old}, *{old}]\n"
    for old, new in zip("abcdefgh", "bcdefghi", strict=True)
)
_VALUE = re.compile(r"(?<=: )[^\s#{\[][^\n#]*?(?=\s*(?:#|\n|$))")


def yaml_mutated(chance: random.Random, text: str) -> bytes:
    """An owner's file with one to five slips, or something monstrous in it."""
    if chance.random() < 0.05:
        return _monstrous(chance, text)
    for _ in range(chance.randint(1, 5)):
        text = _slipped(chance, text)
    data = text.encode("utf-8", "surrogatepass")
    if chance.random() < 0.1:
        data = bytes_mutated(chance, data)
    return data


def _slipped(chance: random.Random, text: str) -> str:
    way = chance.random()
    values = list(_VALUE.finditer(text))
    if way < 0.5 and values:
        at = chance.choice(values)
        new = chance.choice(VALUES) if chance.random() < 0.8 else chance.choice(TEXTS)
        return text[: at.start()] + new + text[at.end() :]
    lines = text.split("\n")
    at = chance.randrange(len(lines))
    if way < 0.6:
        del lines[at]
    elif way < 0.7:
        lines.insert(chance.randrange(len(lines)), lines[at])
    elif way < 0.8:
        lines[at] = chance.choice((" ", "\t", "    ", "- ")) + lines[at]
    elif way < 0.9:
        lines[at] = lines[at].strip()
    else:
        lines[at] = lines[at].replace(
            *chance.choice(((":", ""), (" ", "  "), ("#", ""), ("_", "-")))
        )
    return "\n".join(lines)


def _monstrous(chance: random.Random, text: str) -> bytes:
    data = text.encode()
    return chance.choice(
        (
            BOMB.encode(),
            data + BOMB.encode(),
            b"\xef\xbb\xbf" + data,
            data.replace(b"\n", b"\r\n"),
            data.replace(b"\n", b"\r"),
            data.replace(b"  ", b"\t"),
            text.encode("utf-16"),
            b"a: " + b"[" * 5000,
            b"a: " + b"{a: " * 5000,
            data + b"\nx: " + b"y" * 300_000,
            data + b"\n# " + b"y" * 990_000,
            data + b"".join(b"k%d: 1\n" % n for n in range(3000)),
            data + b"\x00",
            data + b"\n---\n" + data,
            data + b"\n...\n" + data,
        )
    )


def check_problem(problem: Problem, texts: dict[str, bytes]) -> None:
    """A problem names a place that there is, in one line."""
    name = Path(problem.file).name
    assert name in texts, problem.file
    lines = texts[name].replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n") + 1
    assert 1 <= problem.line <= lines + 1, f"line {problem.line} of {lines}"
    assert problem.column >= 1
    check_printable(str(problem), most=2000)


class OwnersFiles:
    """Accepted and usable, or refused with every problem at its place, and the last good stays."""

    name, share = "yaml", 0.004

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._texts = {name: (EXAMPLES / name).read_text("utf-8") for name in NAMES}
        shown = re.sub(r"^# (forecast:|tariff:|  )", r"\1", self._texts[NAMES[0]], flags=re.M)
        self._texts[NAMES[0]] = shown
        self._restore()
        self._watch = ConfigurationWatch(folder / NAMES[0], load_all(folder / NAMES[0]))

    def make(self, chance: random.Random) -> tuple[str, bytes]:
        name = chance.choice(NAMES)
        return name, yaml_mutated(chance, self._texts[name])

    def check(self, case: tuple[str, bytes]) -> None:
        name, data = case
        (self._folder / name).write_bytes(data)
        before = self._watch.current
        try:
            try:
                loaded = load_all(self._folder / NAMES[0])
            except ConfigurationError as error:
                self._watch.look()
                self._check_refused(error, {**self._bytes(), name: data}, before)
            else:
                self._watch.look()
                assert self._watch.current == loaded
                kinds = {notice.kind for notice in self._watch.notices}
                assert kinds <= {NoticeKind.BROKER_EXPOSED}, "a file that is right is no alarm"
                check_usable(loaded, self._folder)
        finally:
            self._restore()
            self._watch.look()

    def _check_refused(
        self, error: ConfigurationError, texts: dict[str, bytes], before: Configuration
    ) -> None:
        assert error.problems
        for problem in error.problems:
            check_problem(problem, texts)
        assert self._watch.current is before
        (notice,) = self._watch.notices
        assert notice.alarm
        check_printable(notice.text, most=3000)

    def _bytes(self) -> dict[str, bytes]:
        return {name: text.encode() for name, text in self._texts.items()}

    def _restore(self) -> None:
        for name, text in self._texts.items():
            (self._folder / name).write_text(text, encoding="utf-8")


def check_usable(loaded: Configuration, folder: Path) -> None:
    """What the service does with a configuration: sessions, an errand, the record."""
    site = loaded.site
    for moment_s in MOMENTS_S:
        booked = sessions(
            loaded.bookings,
            time_zone=site.time_zone,
            since_s=moment_s,
            until_s=moment_s + 8 * DAY_S,
        )
        assert all(session.start_s < session.end_s for session in booked)
    errand = PlanErrand(
        site, loaded.limits, site.heaters[0].id, booked, (), heating=False, now_s=0.0
    )
    assert from_plain(PlanErrand, to_plain(errand)) == errand
    with closing(open_writer(folder / "fuzz-state")) as store:
        for name, text in loaded.texts.items():
            store.keep_configuration(name, text, 0.0)


GOOD_CSV = "time,air,power [kW],outdoor\n" + "".join(
    f"{1_764_547_200 + 900 * k},{8 + k / 100:.2f},{9 if k // 4 % 4 == 0 else 0},2\n"
    for k in range(60)
)
WALL_CSV = "time;air;power;outdoor [°F]\n" + "".join(
    f"2026-10-25 {k // 4:02}:{k % 4 * 15:02};8,{k};0;36\n" for k in range(60)
)
CELLS = (*VALUES, "2025-12-01T00:00:00Z", "1764547200000", '"', '"""', "=1+1", "-", "n/a", "1;2")


class EarlierLogs:
    """A log is read, or refused with every problem at its line and column."""

    name, share = "csv", 0.01

    def __init__(self, folder: Path) -> None:
        for name in NAMES:
            (folder / name).write_bytes((EXAMPLES / name).read_bytes())
        site = load_all(folder / NAMES[0]).site
        self._site = replace(site, time_zone="Europe/Berlin")
        self._path = folder / "log.csv"

    def make(self, chance: random.Random) -> bytes:
        rows = [re.split("([,;])", row) for row in chance.choice((GOOD_CSV, WALL_CSV)).splitlines()]
        for _ in range(chance.randint(1, 4)):
            row = chance.choice(rows) if chance.random() < 0.7 else rows[0]
            row[chance.randrange(len(row))] = chance.choice(CELLS)
        end = chance.choice(("\n", "\n", "\r\n", "\r"))
        text = end.join("".join(row) for row in rows)
        data = text.encode("utf-8", "surrogatepass")
        if chance.random() < 0.02:
            data = chance.choice((data + b"x" * 70_000, b"\xef\xbb\xbf" + data, data * 30, b""))
        return bytes_mutated(chance, data) if chance.random() < 0.2 else data

    def check(self, case: bytes) -> None:
        self._path.write_bytes(case)
        try:
            log = read_log(self._path, self._site, now_s=MOMENTS_S[2])
        except LogError as error:
            self._check_refused(error, case)
            return
        assert isinstance(log, EarlierLog)
        for trace in log.traces:
            times = list(trace.times_s)
            assert len(times) >= 2
            assert times == sorted(times)
            assert times[0] >= 0.0
            assert times[-1] <= MOMENTS_S[2]
            assert all(abs(value) < 1e7 for _, value in samples(trace))

    def _check_refused(self, error: LogError, case: bytes) -> None:
        assert error.problems
        for problem in error.problems:
            check_problem(problem, {self._path.name: case})


KINDS = (OwnersFiles, EarlierLogs)
