"""Makes mutants of what stands between a wish and the heater, and has the tests catch them.

From the root of the checkout, once Cosmic Ray has been brought by
``.venv/bin/pip install --require-hashes -r tests/mutants/requirements.txt``::

    python -m tests.mutants                       everything
    python -m tests.mutants supervisor relay_read_back

Each module is a process of its own; its outcome is kept in ``build/mutants`` under the hash of
module and tests, so that a run that was broken off goes on where it was. Prints progress, time left
and a table; the exit code is 1 where a mutant lives that ``equivalent.toml`` does not argue away.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import sys
import time
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.mutants.targets import ROOT, Target, targets

KEPT = ROOT / "build" / "mutants"
ARGUMENTS = Path(__file__).with_name("equivalent.toml")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is missing and show all; the exit code."""
    parser = argparse.ArgumentParser(description="Mutants of the safety modules.")
    parser.add_argument("modules", nargs="*", help="part of a module's name; all without")
    parser.add_argument("--one", metavar="MODULE", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.one:
        return _one(next(t for t in targets() if t.module == options.one))
    wanted = [t for t in targets() if _is_wanted(t, options.modules)]
    began_s = time.monotonic()
    for number, target in enumerate(wanted):
        left_s = (time.monotonic() - began_s) / number * (len(wanted) - number) if number else 0.0
        print(f"[{number + 1}/{len(wanted)}] {target.module}, about {left_s / 60:.0f} min left")
        if not _file_of(target).exists():
            command = [sys.executable, "-m", "tests.mutants", "--one", target.module]
            subprocess.run(command, check=True, cwd=ROOT)
    return _show(wanted)


def _is_wanted(target: Target, parts: Sequence[str]) -> bool:
    return not parts or any(part in target.module for part in parts)


def _one(target: Target) -> int:
    """Try one module's mutants and keep their fates."""
    from tests.mutants.generate import mutants_of
    from tests.mutants.runner import Fate, run

    found, fates, began_s = list(mutants_of(target)), [], time.monotonic()

    def tell(mutant: object, fate: Fate) -> None:
        fates.append(fate)
        if len(fates) % 25 == 0 or len(fates) == len(found):
            left_s = (time.monotonic() - began_s) / len(fates) * (len(found) - len(fates))
            lived = fates.count(Fate.SURVIVED)
            print(f"  {len(fates)}/{len(found)}, {lived} live, {left_s:.0f} s left", flush=True)

    if found:
        run(target.tests, found, ROOT, tell)
    kept = [
        {
            "line": m.line, "in": m.definition, "operator": m.operator, "was": m.was,
            "becomes": m.becomes, "fate": fate.value,
        }
        for m, fate in zip(found, fates, strict=True)
    ]  # fmt: skip
    KEPT.mkdir(parents=True, exist_ok=True)
    _file_of(target).write_text(json.dumps(kept, indent=1))
    return 0


def _file_of(target: Target) -> Path:
    """Where a module's outcome is kept: another name for every change of module or tests."""
    digest = hashlib.sha256()
    tests = [p for test in target.tests for p in _files(ROOT / test)]
    for path in (ROOT / target.module, *tests):
        digest.update(path.read_bytes())
    return KEPT / f"{target.name}-{digest.hexdigest()[:16]}.json"


def _files(path: Path) -> list[Path]:
    return sorted(path.rglob("*.py")) if path.is_dir() else [path]


def _show(wanted: Sequence[Target]) -> int:
    argued = _argued()
    print(f"\n{'module':50} {'mutants':>8} {'caught':>7} {'hung':>5} {'argued':>7} {'alive':>6}")
    alive: list[str] = []
    for target in wanted:
        fates = json.loads(_file_of(target).read_text())
        lived = [m for m in fates if m["fate"] == "survived"]
        open_ones = [m for m in lived if (target.module, m["was"], m["becomes"]) not in argued]
        caught = sum(m["fate"] == "caught" for m in fates)
        hung = sum(m["fate"] == "hung" for m in fates)
        print(
            f"{target.module:50} {len(fates):8} {caught:7} {hung:5} "
            f"{len(lived) - len(open_ones):7} {len(open_ones):6}"
        )
        for m in open_ones:
            alive.append(f"{target.module}:{m['line']}\n  - {m['was']}\n  + {m['becomes']}")
    print("\n".join(["", *alive]))
    return 1 if alive else 0


def _argued() -> Mapping[tuple[str, str, str], str]:
    """The mutants that change nothing which can be observed, each with its reason."""
    entries = tomllib.loads(ARGUMENTS.read_text()).get("mutant", [])
    return {(e["module"], e["was"], e["becomes"]): e["why"] for e in entries}


if __name__ == "__main__":
    sys.exit(main())
