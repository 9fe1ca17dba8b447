"""Looks for secrets in every file that git keeps; run by ``tests/check``, and needs no network.

There is no list of known findings: what is found is taken out, or is marked in its own line as
none, with ``pragma: allowlist secret`` and the reason.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from detect_secrets import SecretsCollection
from detect_secrets.settings import transient_settings

ROOT = Path(__file__).parents[1]
DETECTORS = (
    "PrivateKeyDetector",
    "BasicAuthDetector",
    "JwtTokenDetector",
    "AWSKeyDetector",
    "GitHubTokenDetector",
    "GitLabTokenDetector",
    "PypiTokenDetector",
)
"""What could get into this project, by form; the library has more, for services of others."""
BY_NAME = {"name": "KeywordDetector", "keyword_exclude": "(password|key)_(file|credential)"}
"""What stands beside a word such as password; our own keys of these names hold places."""
BY_LOOK = (
    {"name": "Base64HighEntropyString", "limit": 4.5},
    {"name": "HexHighEntropyString", "limit": 3.0},
)
"""Long random text in quotes; the limits are the library's own [bits a character]."""
WORKERS = 2
HASHES = ("requirements",)
"""Lock files hold the hashes of libraries, and nothing is written there by hand."""


def secrets_in(paths: Iterable[Path]) -> list[str]:
    """Where there seems to be a secret, as ``file:line: kind``; never what it is."""
    found = SecretsCollection()
    plugins = [*({"name": name} for name in DETECTORS), BY_NAME, *BY_LOOK]
    filters = [
        {"path": f"detect_secrets.filters.{name}"}
        for name in (
            "allowlist.is_line_allowlisted",
            "heuristic.is_sequential_string",
            "heuristic.is_potential_uuid",
            "heuristic.is_likely_id_string",
            "heuristic.is_indirect_reference",
            "heuristic.is_templated_secret",
            "heuristic.is_not_alphanumeric_string",
        )
    ]
    with transient_settings({"plugins_used": plugins, "filters_used": filters}):
        for path in paths:
            found.scan_file(str(path))
    return sorted(f"{name}:{secret.line_number}: {secret.type}" for name, secret in found)


def kept_files() -> list[Path]:
    """What git keeps or would take up, lock files aside."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, check=True,
    ).stdout.decode()  # fmt: skip
    paths = [ROOT / name for name in sorted(set(listed.split("\0"))) if name]
    return [path for path in paths if path.is_file() and not path.name.startswith(HASHES)]


def main() -> int:
    """Say what was found; exit code 1 where anything was."""
    paths = kept_files()
    with ProcessPoolExecutor(WORKERS) as pool:
        parts = pool.map(secrets_in, [paths[first::WORKERS] for first in range(WORKERS)])
        found = sorted(line for part in parts for line in part)
    for line in found:
        print(f"{line}; take it out and change it, for history keeps it")
    print(f"{len(paths)} files looked at, {len(found)} secrets found")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
