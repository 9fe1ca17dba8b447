"""How soon the heater is off after each fault, with every timer as it is: prints a table.

``python -m tests.long.faults`` runs the scenarios of ``tests/faults`` on the real service, a real
broker and real timers (keep-alive, watchdog, planner), several at a time as they mostly wait. What
is given goes to pytest: ``python -m tests.long.faults -k network``.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
AT_A_TIME = "4"


def main(arguments: list[str]) -> int:
    """Run the scenarios and print what they measured; pytest's exit code."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "rows"
        out.touch()
        environment = os.environ | {"SLABTIDE_FAULTS": "long", "SLABTIDE_FAULTS_OUT": str(out)}
        command = [sys.executable, "-m", "pytest", "-q", "-n", AT_A_TIME, "--timeout", "1800",
                   "tests/faults", *arguments]  # fmt: skip
        code = subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode
        rows = [json.loads(line) for line in out.read_text().splitlines()]
    print("| fault | off at the relay after, s | at most, s | on which clock | test |")
    print("| --- | --- | --- | --- | --- |")
    for row in sorted(rows, key=lambda r: (r["test"], r["fault"])):
        off, bound = f"{row['off_s']:.2f}", f"{row['bound_s']:g}"
        print(f"| {row['fault']} | {off} | {bound} | {row['clock']} | `{row['test']}` |")
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
