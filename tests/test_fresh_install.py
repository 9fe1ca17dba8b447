"""Setting up on a fresh machine: locks that agree with the project, and scripts that use them.

The scripts run here with a stand-in for Python that notes what it is asked to do, so that nothing
is fetched. That the locks install for real shows each time the checks run on a fresh checkout.
"""

import os
import re
import shutil
import subprocess
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
RUNTIME = "deploy/requirements.txt"
DEMO = "deploy/requirements-demo.txt"
CHECK = "tests/requirements.txt"

STAND_IN = """\
#!/bin/sh
echo "$*" >>"$NOTES"
case "$*" in
*version_info*) exit $TOO_OLD ;;
*ensurepip*) exit $NO_VENV ;;
--version) echo "Python 3.x" ;;
"-m venv"*)
    for folder; do :; done
    case "$*" in *--clear*) rm -rf "$folder" ;; esac
    mkdir -p "$folder/bin" && cp "$0" "$folder/bin/python" ;;
*"pip "*) exit $NO_INDEX ;;
esac
"""


@dataclass(slots=True)
class Checkout:
    """A copy of the scripts and locks, and the machine that they are run on."""

    root: Path
    path: Path
    faults: dict[str, str]

    def demo(self, *arguments: str) -> tuple[subprocess.CompletedProcess[str], list[str]]:
        """Run deploy/demo from somewhere else; give its end and what Python was asked for."""
        return self._run("deploy/demo", *arguments)

    def prepare(self, lock: str) -> list[str]:
        """Have the environment hold what a lock names; give what Python was asked for."""
        script = self.root / "prepare"
        script.write_text(f'root=$1\n. "$root/deploy/environment"\nprepare_environment {lock}\n')
        end, asked = self._run("/bin/sh", str(script), str(self.root))
        assert (end.returncode, end.stderr) == (0, "")
        return asked

    def _run(
        self, program: str, *arguments: str
    ) -> tuple[subprocess.CompletedProcess[str], list[str]]:
        notes = self.path / "notes"
        notes.write_text("")
        end = subprocess.run(
            [self.root / program, *arguments],
            cwd="/",
            env={"PATH": f"{self.path}:/usr/bin:/bin", "NOTES": str(notes), **self.faults},
            capture_output=True,
            text=True,
            check=False,
        )
        return end, notes.read_text().splitlines()


@pytest.fixture
def checkout(tmp_path: Path) -> Checkout:
    """A fresh checkout in a folder with a space, on a machine where all is well."""
    root, path = tmp_path / "slab tide", tmp_path / "bin"
    for name in ("pyproject.toml", "deploy/demo", "deploy/environment", RUNTIME, DEMO, CHECK):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, root / name)
    path.mkdir()
    for name in ("python3", "python3.11", "python3.12", "python3.13", "python3.14"):
        (path / name).write_text(STAND_IN)
        (path / name).chmod(0o755)
    return Checkout(root, path, {"TOO_OLD": "0", "NO_VENV": "0", "NO_INDEX": "0"})


def _locked(lock: str) -> dict[str, str]:
    """Name and version of everything in a lock."""
    text = (ROOT / lock).read_text()
    return dict(re.findall(r"^([a-z0-9-]+)==([^\s;]+)", text, re.MULTILINE))


def _wanted(*extras: str) -> list[Requirement]:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    project = settings["project"]
    lines = [*project["dependencies"], *settings["dependency-groups"]["build"]]
    for extra in extras:
        lines += project["optional-dependencies"][extra]
    return [Requirement(line) for line in lines]


@pytest.mark.parametrize(
    ("lock", "extras"), [(RUNTIME, ()), (DEMO, ("demo",)), (CHECK, ("demo", "check"))]
)
def test_lock_holds_what_the_project_asks_for(lock: str, extras: tuple[str, ...]) -> None:
    """Every dependency is locked, at a version that pyproject.toml allows."""
    locked = _locked(lock)
    for requirement in _wanted(*extras):
        version = locked.get(canonicalize_name(requirement.name))
        assert version, f"{requirement.name} is not in {lock}: run deploy/lock"
        assert requirement.specifier.contains(version), f"{requirement}, but {version} is locked"


def test_build_back_end_is_the_locked_one() -> None:
    """The project is built with the locked back end, not with one fetched without a hash."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert settings["build-system"]["requires"] == settings["dependency-groups"]["build"]


def test_locks_agree() -> None:
    """One environment serves the demonstration and the checks: the locks never pull apart."""
    assert _locked(RUNTIME).items() < _locked(DEMO).items() < _locked(CHECK).items()


@pytest.mark.parametrize("lock", [RUNTIME, DEMO, CHECK])
def test_lock_has_hashes_and_no_address(lock: str) -> None:
    """Every entry has hashes; no index and no machine is named."""
    entries = re.split(r"^(?=[a-z0-9])", (ROOT / lock).read_text(), flags=re.MULTILINE)[1:]
    assert len(entries) == len(_locked(lock))
    assert [entry for entry in entries if "--hash=sha256:" not in entry] == []
    assert not re.search(r"://|--(extra-)?index|--find-links|(?<!\S)/\w", "".join(entries))


def test_first_run_sets_up_and_second_does_not(checkout: Checkout) -> None:
    """The environment is made once, with hashes, and then the demonstration starts at once."""
    end, asked = checkout.demo("--once")
    assert (end.returncode, end.stderr) == (0, "")
    installs = [line for line in asked if " install " in line]
    assert f"--require-hashes --only-binary :all: -r {checkout.root}/{DEMO}" in installs[0]
    assert f"--no-deps --no-build-isolation --no-index -e {checkout.root}" in installs[1]
    assert asked[-1] == f"{checkout.root}/deploy/demonstration.py --once"

    end, asked = checkout.demo("--once")
    assert (end.returncode, end.stdout) == (0, "")
    assert asked == [f"{checkout.root}/deploy/demonstration.py --once"]


def test_checks_and_demonstration_in_turn_set_up_once(checkout: Checkout) -> None:
    """What the checks need serves the demonstration; the other way round, only what lacks comes."""
    assert [line for line in checkout.prepare(CHECK) if f"-r {checkout.root}/{CHECK}" in line]
    for lock in (DEMO, CHECK, RUNTIME, CHECK):
        assert checkout.prepare(lock) == []

    (checkout.root / ".venv" / "set-up").unlink()
    assert checkout.prepare(DEMO)
    asked = checkout.prepare(CHECK)
    assert [line for line in asked if f"-r {checkout.root}/{CHECK}" in line]
    assert not [line for line in asked if "--clear" in line]
    assert checkout.prepare(DEMO) == []


def test_another_version_in_the_smaller_lock_is_installed(checkout: Checkout) -> None:
    """A set is left in place only where each version that is asked for stands in it."""
    lock = checkout.root / DEMO
    lock.write_text(re.sub(r"^(numpy==\S+)", r"\1.post9", lock.read_text(), flags=re.MULTILINE))
    checkout.prepare(CHECK)
    assert [line for line in checkout.prepare(DEMO) if f"-r {lock}" in line]


def test_changed_lock_is_installed(checkout: Checkout) -> None:
    """After a lock has changed, the environment is brought up to it."""
    checkout.demo()
    with (checkout.root / CHECK).open("a") as lock:
        lock.write("# changed\n")
    _, asked = checkout.demo()
    assert [line for line in asked if "--require-hashes" in line]
    assert not [line for line in asked if "--clear" in line]


def test_moved_checkout_starts_over(checkout: Checkout) -> None:
    """An environment whose scripts point to the checkout's old place is made anew."""
    checkout.demo()
    checkout.root = checkout.root.rename(checkout.root.with_name("elsewhere"))
    _, asked = checkout.demo()
    assert f"-m venv --clear {checkout.root}/.venv" in asked


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        ("TOO_OLD", "needs Python 3.11 or newer; python3 here: Python 3.x"),
        ("NO_VENV", "sudo apt install python3-venv"),
        ("NO_INDEX", "It needs a network"),
    ],
)
def test_unfit_machine_is_told_what_it_lacks(checkout: Checkout, fault: str, message: str) -> None:
    """Each thing that a machine may lack has its own message; the next run tries again."""
    checkout.faults[fault] = "1"
    end, asked = checkout.demo()
    assert end.returncode == 2
    assert message in end.stderr
    assert not [line for line in asked if "demonstration" in line]

    checkout.faults[fault] = "0"
    end, _ = checkout.demo()
    assert (end.returncode, end.stderr) == (0, "")


@pytest.mark.parametrize("script", ["deploy/demo", "deploy/lock", "tests/check", ".ci/run"])
def test_scripts_are_sound(script: str) -> None:
    """Each script can be started as it is, and is plain shell."""
    assert os.access(ROOT / script, os.X_OK)
    parsed = subprocess.run(["/bin/sh", "-n", ROOT / script], capture_output=True, check=False)
    assert (parsed.returncode, parsed.stderr) == (0, b"")
