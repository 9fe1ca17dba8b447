"""Bad input by the million, against what every reader of input promises.

Started from the root of the checkout::

    python -m tests.fuzz --payloads 1000000

Messages, files, command lines and answers are made from good ones by a seeded chance. Whatever
breaks a promise is printed with seed and number; ``--only KIND --case NUMBER`` makes it again.
"""

from __future__ import annotations

import argparse
import random
import signal
import sys
import time
from collections.abc import Sequence

from tests.fuzz import ALL
from tests.fuzz.runner import run


def main(arguments: Sequence[str] | None = None) -> int:
    """Run; the exit code, 1 where a promise was broken."""
    options = _parser().parse_args(arguments)
    # in the background a shell has Ctrl-C ignored: `kill` ends the run in the same way
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.default_int_handler)
    seed = random.SystemRandom().randrange(2**32) if options.seed is None else options.seed
    kinds = [kind for kind in ALL if options.only in (None, kind.name)]
    total = sum(kind.share for kind in kinds)
    print(f"Seed {seed}; kinds: {', '.join(kind.name for kind in kinds)}", flush=True)
    began_s = time.monotonic()
    done, found = run(
        kinds,
        max(1, round(options.payloads / total)),
        seed=seed,
        say=lambda line: print(line, flush=True),
        only=options.case,
    )
    for fault in found:
        print(f"\n{fault.kind} {fault.number} (seed {seed}, {fault.count} times)")
        print(f"  {fault.fault}\n  {fault.case}")
    took_s = time.monotonic() - began_s
    print(f"{sum(done.values())} cases in {took_s:.0f} s, {len(found)} faults, seed {seed}: {done}")
    return 1 if found else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    add = parser.add_argument
    add("--payloads", type=int, default=1_000_000, metavar="N",
        help="cases of all kinds together (default: %(default)s)")  # fmt: skip
    add("--seed", type=int, help="a new one each time where none is given; printed")
    add("--only", choices=[kind.name for kind in ALL], metavar="KIND",
        help=f"one of {', '.join(kind.name for kind in ALL)}")  # fmt: skip
    add("--case", type=int, metavar="NUMBER", help="this case alone, of the kind by --only")
    return parser


if __name__ == "__main__":
    sys.exit(main())
