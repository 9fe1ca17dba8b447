"""Makes mutants of what stands between a wish and the heater, and has the tests catch them.

From the root of the checkout, once Cosmic Ray has been brought by
``.venv/bin/pip install --require-hashes -r tests/mutants/requirements.txt``::

    python -m tests.mutants                       everything
    python -m tests.mutants supervisor relay_read_back
    python -m tests.mutants --again supervisor    after a test was added: only what lived before

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
    parser.add_argument("--again", action="store_true", help="try only those that lived before")
    parser.add_argument("--one", metavar="MODULE", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.one:
        return _one(next(t for t in targets() if t.module == options.one), options.again)
    wanted = [t for t in targets() if _is_wanted(t, options.modules)]
    began_s = time.monotonic()
    for number, target in enumerate(wanted):
        left_s = (time.monotonic() - began_s) / number * (len(wanted) - number) if number else 0.0
        print(f"[{number + 1}/{len(wanted)}] {target.module}, about {left_s / 60:.0f} min left")
        if not _file_of(target).exists():
            command = [sys.executable, "-m", "tests.mutants", "--one", target.module]
            command += ["--again"] if options.again else []
            subprocess.run(command, check=True, cwd=ROOT)
    return _show(wanted)


def _is_wanted(target: Target, parts: Sequence[str]) -> bool:
    return not parts or any(part in target.module for part in parts)


def _one(target: Target, again: bool) -> int:
    """Try one module's mutants and keep their fates."""
    from tests.mutants.generate import Mutant, mutants_of
    from tests.mutants.runner import Fate, run

    outcome, before = _file_of(target), _earlier(target) if again else {}
    found, fates, began_s = list(mutants_of(target)), {}, time.monotonic()
    tried = [m for m in found if before.get(m.key) != Fate.CAUGHT.value]

    def tell(mutant: Mutant, fate: Fate) -> None:
        fates[mutant] = fate.value
        if fate is not Fate.CAUGHT:
            print(f"  {fate.value}: {mutant.line}\n    - {mutant.was}\n    + {mutant.becomes}")
        if len(fates) % 25 == 0 or len(fates) == len(tried):
            left_s = (time.monotonic() - began_s) / len(fates) * (len(tried) - len(fates))
            lived = sum(f == Fate.SURVIVED.value for f in fates.values())
            print(f"  {len(fates)}/{len(tried)}, {lived} live, {left_s:.0f} s left", flush=True)

    if tried:
        run(target.tests, tried, ROOT, tell)
    kept = [
        {
            "line": m.line, "in": m.definition, "operator": m.operator, "was": m.was,
            "becomes": m.becomes, "fate": fates.get(m, Fate.CAUGHT.value),
        }
        for m in found
    ]  # fmt: skip
    KEPT.mkdir(parents=True, exist_ok=True)
    outcome.write_text(json.dumps(kept, indent=1))
    return 0


def _earlier(target: Target) -> Mapping[tuple[str, str, str], str]:
    """What became of mutants by the latest run over the same module and whatever tests.

    Two with the same lines count as caught only where both were. It takes for granted that tests
    were added since, not taken away: a run without ``--again`` asks all mutants anew.
    """
    runs = sorted(KEPT.glob(f"{_stem_of(target)}-*.json"), key=lambda p: p.stat().st_mtime)
    fates: dict[tuple[str, str, str], str] = {}
    for m in json.loads(runs[-1].read_text()) if runs else ():
        key = (target.module, m["was"], m["becomes"])
        fates[key] = m["fate"] if fates.get(key, "caught") == "caught" else fates[key]
    return fates


def _stem_of(target: Target) -> str:
    digest = hashlib.sha256((ROOT / target.module).read_bytes())
    return f"{target.name}-{digest.hexdigest()[:16]}"


def _file_of(target: Target) -> Path:
    """Where a module's outcome is kept: another name for every change of module or tests."""
    digest = hashlib.sha256()
    for path in (p for test in target.tests for p in _files(ROOT / test)):
        digest.update(path.read_bytes())
    return KEPT / f"{_stem_of(target)}-{digest.hexdigest()[:16]}.json"


def _files(path: Path) -> list[Path]:
    return sorted(path.rglob("*.py")) if path.is_dir() else [path]


def _show(wanted: Sequence[Target]) -> int:
    argued = _argued()
    print(f"\n{'module':50} {'mutants':>8} {'caught':>7} {'hung':>5} {'argued':>7} {'alive':>6}")
    alive: list[str] = []
    for target in wanted:
        if not (file := _file_of(target)).exists():
            print(f"{target.module:50} was changed while it ran, or its tests were")
            alive.append(f"{target.module}: to be run again")
            continue
        fates = json.loads(file.read_text())
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
