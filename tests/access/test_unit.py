"""deploy/slabtide.service: systemd understands it, and it gives nothing away."""

from __future__ import annotations

import configparser
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.access.conftest import ROOT

UNIT = ROOT / "deploy" / "slabtide.service"
NEWER = ("RestartSteps", "RestartMaxDelaySec")
"""Keys of systemd 254; an older one says that it ignores them."""
EXPOSURE = 2.0
"""systemd's own sum of what a unit leaves open, 0 to 10; its usual service comes to 9.6."""


@pytest.fixture
def settings() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str
    parser.read_string(UNIT.read_text(encoding="utf-8"))
    return parser


def test_a_crash_loop_is_slow_and_never_given_up(settings: configparser.ConfigParser) -> None:
    """Half a minute between two starts at least, for as long as it takes."""
    service = settings["Service"]
    assert (service["Restart"], settings["Unit"]["StartLimitIntervalSec"]) == ("always", "0")
    assert 30 <= int(service["RestartSec"]) <= int(service["RestartMaxDelaySec"]) <= 300


def test_one_user_one_folder_and_a_credential(settings: configparser.ConfigParser) -> None:
    """Not root, what it writes is its own, and the password comes as site.yaml is told to ask."""
    service = settings["Service"]
    assert service["User"] not in ("", "root")
    assert (service["UMask"], service["StateDirectoryMode"]) == ("0077", "0700")
    name = service["LoadCredential"].partition(":")[0]
    text = UNIT.read_text(encoding="utf-8")
    assert f"password_credential: {name}" in text
    assert f"store: /var/lib/{service['StateDirectory']}" in text
    assert service["OOMPolicy"] == "continue"


@pytest.fixture
def as_if_installed(tmp_path: Path) -> Path:
    """The unit with this checkout's paths, which systemd looks for."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd is not installed")
    text = UNIT.read_text(encoding="utf-8")
    text = text.replace(
        "/opt/slabtide/.venv/bin/slabtide", str(Path(sys.executable).with_name("slabtide"))
    )
    path = tmp_path / "slabtide.service"
    path.write_text(text.replace("=/opt/slabtide", f"={ROOT}"), encoding="utf-8")
    return path


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = ["systemd-analyze", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_systemd_finds_no_fault(as_if_installed: Path) -> None:
    """Every key and value is one that it knows, but for those of a newer systemd."""
    run = analyze("verify", "--man=no", str(as_if_installed))
    told = [line for line in run.stderr.splitlines() if str(as_if_installed) in line]
    assert [line for line in told if not any(f"'{key}'" in line for key in NEWER)] == []
    assert run.returncode == 0, run.stderr


def test_systemd_finds_little_open(as_if_installed: Path) -> None:
    """By its own count."""
    run = analyze("security", "--offline=true", "--no-pager", str(as_if_installed))
    found = re.search(r"exposure level for \S+: ([\d.]+)", run.stdout)
    if found is None:
        pytest.skip("this systemd counts nothing of a unit that is not installed")
    assert float(found[1]) <= EXPOSURE
