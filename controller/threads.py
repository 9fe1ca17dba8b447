"""Linear algebra on one thread: matrices here are too small to be worth sharing out.

Several threads wait for each other most of the time, and the last digits of a sum depend on how
many there are.
"""

from __future__ import annotations

import os

SETTINGS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""What numpy's libraries ask for when numpy is first imported."""


def use_one() -> None:
    """Let numpy, which must not be imported yet, use one thread in this process and its own."""
    os.environ.update(dict.fromkeys(SETTINGS, "1"))
