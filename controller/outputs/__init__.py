"""Pump and valves: in which order they and the heat come on, and in which they go off.

Pure: no clock and no I/O. Valves open, then the pump runs and is proven, then there is heat; heat
ends, then the pump runs on, then the valves close.
"""

from controller.outputs.account import Account, Fitted
from controller.outputs.sequence import NAME, SENTENCES, Steps, sequence

__all__ = ["NAME", "SENTENCES", "Account", "Fitted", "Steps", "sequence"]
