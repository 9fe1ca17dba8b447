"""Three files at once: all problems or a whole configuration, whatever the files hold."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.configuration import ConfigurationError, Problem, load_all
from controller.configuration.fields import Fields
from controller.configuration.kinds import Kind
from controller.records.limits import Limits
from controller.records.site import Role
from tests.whole_example import uncommented

EXAMPLES = Path(__file__).parents[3] / "config"
NAMES = ("site.yaml", "limits.yaml", "bookings.yaml")
TEXTS = {name: (EXAMPLES / name).read_text(encoding="utf-8") for name in NAMES}

Load = Callable[[], list[Problem]]
Replace = Callable[[str, str, str], list[tuple[str, int, int]]]


def test_the_examples_are_sound() -> None:
    """The commented examples load, and give the default limits."""
    found = load_all(EXAMPLES / "site.yaml")
    assert found.limits == Limits()
    assert found.texts == TEXTS
    assert found.store == (EXAMPLES.parent / "state").resolve()
    assert found.folder == EXAMPLES
    fitted = {Role.SLAB, Role.AIR, Role.OUTDOOR, Role.IRRADIANCE, Role.SUPPLY, Role.RETURN}
    fitted |= {Role.POWER, Role.RELAY_STATE}
    assert {sensor.role for sensor in found.site.sensors} == fitted


def test_the_problems_of_all_files_come_at_once(replace: Replace, load_broken: Load) -> None:
    """Every file is read to its end, and the problems come in the order of files and places."""
    replace("site", "latitude_deg: 54.3", "latitude_deg: 154.3")
    replace("site", "rating_kw: 6", "rating_kw: six")
    replace("limits", "frost_on_c: 5", "frost_on_c: 1")
    replace("bookings", "end: 21:30", "end: 1:30")
    replace("bookings", "target: 20.5", "target: 50")
    places = [(Path(p.file).name, p.line) for p in load_broken()]
    assert places == [
        ("site.yaml", 3),
        ("site.yaml", 31),
        ("limits.yaml", 5),
        ("bookings.yaml", 10),
        ("bookings.yaml", 20),
    ]


def test_a_broken_site_does_not_spoil_the_bookings(folder: Path, load_broken: Load) -> None:
    """What cannot be judged without the broken file is not called wrong."""
    (folder / "site.yaml").write_text("id: [\n")
    (folder / "limits.yaml").write_text("- 1\n")
    assert [Path(p.file).name for p in load_broken()] == ["site.yaml", "limits.yaml"]


def test_other_bookings_may_be_read_instead(folder: Path) -> None:
    """A rehearsal brings a bookings file of its own."""
    other = folder / "others.yaml"
    other.write_text("bookings: {}\n")
    assert load_all(folder / "site.yaml", bookings_path=other).bookings.bookings == ()


def test_many_unknown_keys_are_cut_short(folder: Path, load_broken: Load) -> None:
    """Of a thousand unknown keys twenty are named and the rest counted."""
    path = folder / "limits.yaml"
    path.write_text(path.read_text() + "".join(f"zz{n}: 1\n" for n in range(1000)))
    problems = load_broken()
    assert len(problems) == 21
    assert problems[-1].wrong == "980 more keys are unknown"


def loads_or_says_why(folder: Path, name: str, content: bytes) -> None:
    """Write the examples with one of them replaced; anything but a clean refusal fails."""
    for other, text in TEXTS.items():
        (folder / other).write_text(text, encoding="utf-8")
    (folder / name).write_bytes(content)
    for problem in problems_of(folder):
        assert problem.line >= 1
        assert problem.column >= 1
        assert problem.wrong
        assert problem.right
        assert "\n" not in str(problem)


def problems_of(folder: Path) -> list[Problem]:
    """The problems of the files in a folder, none where they load."""
    try:
        load_all(folder / "site.yaml")
    except ConfigurationError as error:
        return error.problems
    return []


FUZZ = settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],  # each example rewrites the folder
)


@FUZZ
@given(name=st.sampled_from(NAMES), content=st.binary(max_size=300))
def test_arbitrary_bytes_never_raise_anything_else(
    tmp_path: Path, name: str, content: bytes
) -> None:
    """Whatever bytes a file holds, it loads or is refused by ConfigurationError."""
    loads_or_says_why(tmp_path, name, content)


YAML_BITS = [*":-[]{},&*!|>'\"#?~@`%\\0aé. \n\t\u2028\x85\ufeff"]
YAML_BITS += [": ", "- ", "\n  ", "---\n", "%YAML 1.1\n", "%TAG ! x\n", "<<: *a", "id", "18:30"]


@FUZZ
@given(name=st.sampled_from(NAMES), bits=st.lists(st.sampled_from(YAML_BITS), max_size=40))
def test_arbitrary_yaml_never_raises_anything_else(
    tmp_path: Path, name: str, bits: list[str]
) -> None:
    """Whatever is put together of YAML's own signs loads or is refused by ConfigurationError."""
    loads_or_says_why(tmp_path, name, "".join(bits).encode())


TOKEN = re.compile(r"[\w.°-]+|[^\w\s]|\s+")


def mangle(text: str, seed: int) -> str:
    """A few tokens of a text swapped, dropped, doubled or replaced."""
    chance = random.Random(seed)
    tokens = TOKEN.findall(text)
    odd = ["nan", "no", "-1", "1e999", "[]", "{}", "null", '""', "2026-02-29", "25:00", "\t"]
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(tokens))
        tokens[at] = chance.choice(
            [chance.choice(odd), "", tokens[at] * 2, chance.choice(tokens), tokens[at][::-1]]
        )
    return "".join(tokens)


@FUZZ
@given(name=st.sampled_from(NAMES), seed=st.integers(0, 2**32))
def test_mangled_examples_never_raise_anything_else(tmp_path: Path, name: str, seed: int) -> None:
    """Whatever slips into an example, it loads or is refused by ConfigurationError."""
    loads_or_says_why(tmp_path, name, mangle(TEXTS[name], seed).encode())


@pytest.fixture
def keys_asked(monkeypatch: pytest.MonkeyPatch) -> dict[str, set[str]]:
    """Every key that the loader asks for while this test runs, with what it expects there."""
    asked: dict[str, set[str]] = {}
    ask, read, read_or = Fields._entry, Fields.read, Fields.read_or

    def noting_entry(self: Fields, key: str) -> object:
        asked.setdefault(key, set())
        return ask(self, key)

    def noting_read(self: Fields, key: str, kind: Kind[object]) -> object:
        asked.setdefault(key, set()).add(kind.expected)
        return read(self, key, kind)

    def noting_read_or(self: Fields, key: str, kind: Kind[object], default: object) -> object:
        asked.setdefault(key, set()).add(kind.expected)
        return read_or(self, key, kind, default)

    monkeypatch.setattr(Fields, "_entry", noting_entry)
    monkeypatch.setattr(Fields, "read", noting_read)
    monkeypatch.setattr(Fields, "read_or", noting_read_or)
    return asked


@pytest.fixture
def whole_example(tmp_path: Path) -> Path:
    """The example's site file with the sections that it shows as comments."""
    for name, shown in TEXTS.items():
        (tmp_path / name).write_text(uncommented(shown), encoding="utf-8")
    return tmp_path / "site.yaml"


def test_every_key_is_documented_with_its_span(
    keys_asked: dict[str, set[str]], whole_example: Path
) -> None:
    """config/README.md has a row for each key, and the row holds the span that the code checks."""
    site = load_all(whole_example).site
    assert site.forecast is not None
    assert site.tariff is not None
    assert site.broker.tls is not None
    rows: dict[str, list[str]] = {}
    for line in (EXAMPLES / "README.md").read_text(encoding="utf-8").splitlines():
        found = re.match(r"\| `([a-z0-9_]+)` \|", line)
        if found:
            rows.setdefault(found[1], []).append(line)
    assert set(rows) == set(keys_asked)
    for key, expectations in keys_asked.items():
        for expected in expectations:
            span = re.match(r"a (?:whole )?number from (\S+) to (\S+?),?(?: |$)", expected)
            if span and key != "target":
                words = f"{span[1]} to {span[2]}"
                assert any(f" {words} " in row for row in rows[key]), f"{key}: {words}"


def test_a_boiler_that_would_trip_the_supply_limit_is_refused(
    tmp_path: Path,
) -> None:
    """Its own thermostat must stay well below the hard limit."""
    for name in ("site.yaml", "limits.yaml", "bookings.yaml"):
        text = (EXAMPLES / name).read_text(encoding="utf-8")
        (tmp_path / name).write_text(text.replace("supply_limit_c: 48", "supply_limit_c: 51"))
    with pytest.raises(ConfigurationError) as caught:
        load_all(tmp_path / "site.yaml")
    [problem] = caught.value.problems
    assert "supply_limit_c 51 is too near to supply_max_c 55" in problem.wrong
    lines = (EXAMPLES / "site.yaml").read_text(encoding="utf-8").splitlines()
    assert lines[problem.line - 1].strip().startswith("supply_limit_c:")
