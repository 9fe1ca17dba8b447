"""The scans of tests/check: a planted secret is found, and no answer is no clean bill."""

from __future__ import annotations

import hashlib
import stat
import sys
from pathlib import Path

import pytest

from tests import advisories, secrets_scan
from tests.secrets_scan import kept_files, secrets_in

ROOT = Path(__file__).parents[1]
RANDOM = hashlib.md5(b"tar", usedforsecurity=False).hexdigest()
# put together here, so that this file holds none of them
PLANTED = {
    "key.pem": "-----BEGIN " + "EC PRIVATE KEY-----\n",
    "site.yaml": "broker:\n  pass" + "word: gull-keel-tar7\n",
    "notes.md": "mosquitto is at mqtts://guard:" + f"{RANDOM[:12]}@quay.example\n",
    "module.py": "API_" + f'KEY = "{RANDOM}"\n',
    "look.py": f'x = "{RANDOM}"\n',
    "passwords.json": '{"pass' + f'word": "{RANDOM}"}}\n',
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_secret_is_found_and_not_repeated(tmp_path: Path, name: str) -> None:
    """Each with its file and line, whatever gives it away: its form, its name or its look."""
    (tmp_path / name).write_text(PLANTED[name], encoding="utf-8")
    found = secrets_in([tmp_path / name])
    assert found
    assert all(line.startswith(f"{tmp_path / name}:") for line in found)
    assert RANDOM not in str(found)


def test_the_scan_fails_where_anything_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its exit code is what tests/check goes by."""
    (tmp_path / "sound.py").write_text("x = 1\n", encoding="utf-8")
    (tmp_path / "key.pem").write_text(PLANTED["key.pem"], encoding="utf-8")
    monkeypatch.setattr(secrets_scan, "kept_files", lambda: [tmp_path / "sound.py"])
    assert secrets_scan.main() == 0
    both = [tmp_path / "sound.py", tmp_path / "key.pem"]
    monkeypatch.setattr(secrets_scan, "kept_files", lambda: both)
    assert secrets_scan.main() == 1
    assert f"{tmp_path / 'key.pem'}:1: Private Key;" in capsys.readouterr().out


def test_places_of_secrets_are_no_secrets(tmp_path: Path) -> None:
    """The example's own keys, which name files and credentials, are left alone."""
    text = "broker:\n  password_file: secrets/broker-password\n  key_credential: broker-key7\n"
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    assert secrets_in([tmp_path / "site.yaml"]) == []


def test_the_scan_looks_at_everything_that_is_kept() -> None:
    """Sources, configuration, scripts and prose; lock files hold hashes alone."""
    names = {str(path.relative_to(ROOT)) for path in kept_files()}
    wanted = {"README.md", "config/site.yaml", "controller/cli.py", "deploy/mosquitto/README.md"}
    assert wanted | {"tests/check", "tests/test_supply.py"} <= names
    assert not any(name.endswith("requirements.txt") for name in names)


KNOWN = {"name": "paho-mqtt", "version": "2.1.0", "vulns": []}
WEAK = KNOWN | {"vulns": [{"id": "PYSEC-1-2", "fix_versions": ["2.1.1"]}]}
UNKNOWN = {"name": "numpy", "skip_reason": "Dependency not found"}


@pytest.mark.parametrize(
    ("report", "code", "lines"),
    [
        (None, 0, [advisories.NOT_CHECKED]),
        ({}, 0, [advisories.NOT_CHECKED]),
        ({"dependencies": [UNKNOWN]}, 0, [advisories.NOT_CHECKED]),
        ({"dependencies": [KNOWN]}, 0, ["1 libraries checked, 0 weaknesses known"]),
        (
            {"dependencies": [WEAK, UNKNOWN]},
            1,
            [
                "not checked: numpy",
                "paho-mqtt 2.1.0: PYSEC-1-2; mended in: 2.1.1",
                "1 libraries checked, 1 weaknesses known",
            ],
        ),
    ],
)
def test_what_the_advisories_come_to(
    report: dict[str, object] | None, code: int, lines: list[str]
) -> None:
    """A known weakness fails; silence does not, and is called what it is."""
    assert advisories.verdict(report) == (code, lines)


@pytest.mark.parametrize("does", ["exit 1", "echo nonsense", "exec sleep 30"])
def test_an_audit_that_fails_or_hangs_is_no_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, does: str
) -> None:
    """Whatever the tool does without a network, the check goes on."""
    tool = tmp_path / "pip-audit"
    tool.write_text(f"#!/bin/sh\n{does}\n")
    tool.chmod(stat.S_IRWXU)
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    monkeypatch.setattr(advisories, "ALL_S", 0.5)
    assert advisories.ask(advisories.LOCK) is None
