"""How soon the heater is off after each fault, with every timer as it is: prints a table.

``python -m tests.long.faults`` runs the scenarios of ``tests/faults`` on the real service, a real
broker and real timers (keep-alive, watchdog, planner), several at a time as they mostly wait. What
is given goes to pytest: ``python -m tests.long.faults -k network``.

``--measured`` plays the stepped scenarios of ``tests/scenarios`` as well, with ``SEEDS`` seeds,
and prints the faults of DEVELOPERS.md with what it states and the worst that was measured. It
fails where that is more.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.long.fault_table import DEVELOPERS, pair, read_rows, rendered

ROOT = Path(__file__).resolve().parents[2]
AT_A_TIME = "4"
SEEDS = "5"
MEASURED = "--measured"


def main(arguments: list[str]) -> int:
    """Run the scenarios and print what they measured; pytest's exit code, or 1."""
    given = [argument for argument in arguments if argument != MEASURED]
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "rows"
        out.touch()
        code = _run(["-n", AT_A_TIME, "tests/faults", *given], out)
        if MEASURED in arguments:
            stepped = ["-n", "2", "tests/scenarios", "--seeds", SEEDS, *given]
            code = code or _run(stepped, out)
        rows = [json.loads(line) for line in out.read_text().splitlines()]
    if MEASURED not in arguments:
        _print_each(rows)
        return code
    found = pair(
        read_rows(DEVELOPERS.read_text(encoding="utf-8")),
        [(row["fault"], row["off_s"]) for row in rows],
    )
    print(rendered(found))
    return code or int(any(one.exceeds for one in found))


def _run(arguments: list[str], out: Path) -> int:
    environment = os.environ | {"SLABTIDE_FAULTS": "long", "SLABTIDE_FAULTS_OUT": str(out)}
    command = [sys.executable, "-m", "pytest", "-q", "--timeout", "1800", *arguments]
    return subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode


def _print_each(rows: list[dict[str, Any]]) -> None:
    print("| fault | off at the relay after, s | at most, s | on which clock | test |")
    print("| --- | --- | --- | --- | --- |")
    for row in sorted(rows, key=lambda r: (r["test"], r["fault"])):
        off, bound = f"{row['off_s']:.2f}", f"{row['bound_s']:g}"
        print(f"| {row['fault']} | {off} | {bound} | {row['clock']} | `{row['test']}` |")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
