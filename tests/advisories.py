"""Known weaknesses of the libraries that the service runs on, where an advisory service answers.

Run by ``tests/check``. Without a network, or behind an index that tells none, nothing is checked,
which is said and is no failure: the code is no worse for it.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
LOCK = "deploy/requirements.txt"
ANSWER_S, ALL_S = "5", 60.0
"""Longest wait for one answer, and for all of them [s]."""
NOT_CHECKED = "not checked: no advisory service reachable"


def main() -> int:
    """Ask; exit code 1 where a weakness is known."""
    report = ask(LOCK)
    code, lines = verdict(report)
    print("\n".join(lines))
    return code


def ask(lock: str) -> dict[str, Any] | None:
    """What pip-audit says of a lock file; None where it could not ask, or not in time."""
    tool = Path(sys.executable).with_name("pip-audit")
    command = [tool, "--requirement", lock, "--require-hashes", "--disable-pip", "--format=json",
               "--progress-spinner=off", "--timeout", ANSWER_S]  # fmt: skip
    try:
        run = subprocess.run(command, cwd=ROOT, capture_output=True, timeout=ALL_S, check=False)
        report = json.loads(run.stdout)
    except (OSError, subprocess.TimeoutExpired, ValueError):
        return None
    return report if isinstance(report, dict) else None


def verdict(report: dict[str, Any] | None) -> tuple[int, list[str]]:
    """Exit code and what to say; a library that the service does not know is named as such."""
    libraries = report.get("dependencies", []) if report is not None else []
    asked = [one for one in libraries if "skip_reason" not in one]
    if not asked:
        return 0, [NOT_CHECKED]
    lines = [f"not checked: {one['name']}" for one in libraries if "skip_reason" in one]
    weak = [(one, weakness) for one in asked for weakness in one.get("vulns", [])]
    for one, weakness in weak:
        mended = ", ".join(weakness.get("fix_versions", [])) or "none yet"
        lines.append(f"{one['name']} {one['version']}: {weakness['id']}; mended in: {mended}")
    lines.append(f"{len(asked)} libraries checked, {len(weak)} weaknesses known")
    return (1 if weak else 0), lines


if __name__ == "__main__":
    sys.exit(main())
