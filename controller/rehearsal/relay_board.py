"""Stand-ins for the relay board at the heater, as its firmware should behave.

What the author of a board's firmware has to do
-----------------------------------------------
The board hears commands on the heater's command topic (subscribe with QoS 1) and, where the
site file names a report topic, publishes reports there (QoS 0, not retained). Both are JSON.

1. Count time on a clock of your own that starts at 0 on power-up and never goes back. You need
   neither a calendar nor a network time. A counter of milliseconds in 32 bits goes back after
   49.7 days: extend it to 64 bits at each wrap. ``seq`` needs 64 bits, times a double.
2. The contact is open on power-up, and whenever the lease has run out, connected or not. Check
   the lease in the loop that drives the contact, not in the network code.
3. ``"heat": false`` opens the contact at once, whatever else the message says or lacks.
4. ``"heat": true`` closes the contact for ``lease_s``, replacing any lease before, if and only if
   all of this holds:
   - ``seq`` is a whole number greater than that of any command taken since power-up;
   - ``issued`` is a number and not smaller than that of any command taken since power-up;
   - ``lease_s`` is greater than 0 and at most 120;
   - with reports: ``answers_s`` is a number, not greater than your own time now (else it
     answers a report from before your last power-up), and not more than ``lease_s`` behind it
     (else the command was held up on the way, in a broker that was frozen or a network that
     was cut).
   With reports, ``lease_s`` counts from ``answers_s``, so that what a command lost on its way is
   not given back; without, from now.
5. Remember ``seq`` and ``issued`` of every command you obey, OFF included. You need not keep
   them through a power cut.
6. Anything else is ignored: it neither opens nor closes the contact.
7. Report ``{"heat": ..., "uptime_s": ..., "seq": ...}`` after every command, taken or not, and at
   least every 10 s. ``heat`` is the state of the contact itself, ``uptime_s`` your own time,
   rounded down, ``seq`` that of the last command taken, -1 before the first.

The board of a circulation pump or a zone valve is the same but for this: the key is ``"run"``, or
``"open"``, in place of ``"heat"``; ``lease_s`` may be up to 7200, for it outlasts the heat's; and
nothing is retained for it, so that a board that comes back does not stop in the middle of heat.

What is left: a command held up through a reboot of the board may be taken once, if the board has
by then been up for longer than before; the heat then lasts one lease at most, and less, because
the OFF of the service's own reconnect follows on its heels.
"""

from __future__ import annotations

import json
import math
from typing import NamedTuple

from controller.records.limits import LEASE_S


class Receipt(NamedTuple):
    """Whether a board took a command, and why not where it did not."""

    accepted: bool
    reason: str = ""


_TAKEN = Receipt(True)
LONGEST_LEASE_S = {"heat": LEASE_S, "run": 7200.0, "open": 7200.0}
"""The longest lease that a board takes, by the word that it obeys [s]."""


class LeaseBoard:
    """A board that knows leases.

    Parameters
    ----------
    started_mono_s : float
        The moment of power-up on the clock of all other calls [s].
    reports : bool
        Whether it makes reports, and so demands an answer to one in every ON.
    word : str
        The key that says on or off.
    """

    def __init__(self, *, started_mono_s: float, reports: bool = True, word: str = "heat") -> None:
        self._word, self._longest_lease_s = word, LONGEST_LEASE_S[word]
        self._started_mono_s = started_mono_s
        self._reports = reports
        self._heat_until_s = 0.0
        self._sequence = -1
        self._issued_s = -math.inf

    def receive(self, payload: bytes, mono_s: float) -> Receipt:
        """Take or refuse one message.

        Parameters
        ----------
        payload : bytes
        mono_s : float
            The board's own clock [s].

        Returns
        -------
        Receipt
        """
        fields = _fields(payload, self._word)
        if fields is None:
            return Receipt(False, f"no JSON object with {self._word} true or false")
        if fields[self._word]:
            return self._switch_on(fields, mono_s - self._started_mono_s)
        self._heat_until_s = 0.0
        self._remember(_whole(fields.get("seq")), _number(fields.get("issued")))
        return _TAKEN

    def heat(self, mono_s: float) -> bool:
        """Whether the contact is closed."""
        return mono_s - self._started_mono_s < self._heat_until_s

    def report(self, mono_s: float) -> bytes:
        """What the board says of itself."""
        return json.dumps(
            {
                self._word: self.heat(mono_s),
                "uptime_s": mono_s - self._started_mono_s,
                "seq": self._sequence,
            }
        ).encode()

    def _switch_on(self, fields: dict[str, object], uptime_s: float) -> Receipt:
        sequence, issued_s = _whole(fields.get("seq")), _number(fields.get("issued"))
        lease_s, answers_s = _number(fields.get("lease_s")), _number(fields.get("answers_s"))
        if sequence is None or sequence <= self._sequence:
            return Receipt(False, f"sequence not above {self._sequence}")
        if issued_s is None or issued_s < self._issued_s:
            return Receipt(False, f"issued before {self._issued_s:g}")
        if lease_s is None or not 0.0 < lease_s <= self._longest_lease_s:
            return Receipt(False, f"lease not above 0 and at most {self._longest_lease_s:g} s")
        if self._reports and not _answers(answers_s, uptime_s, lease_s):
            return Receipt(False, "answers no report of the time of a lease before now")
        self._remember(sequence, issued_s)
        from_s = answers_s if self._reports and answers_s is not None else uptime_s
        self._heat_until_s = from_s + lease_s
        return _TAKEN

    def _remember(self, sequence: int | None, issued_s: float | None) -> None:
        if sequence is not None:
            self._sequence = max(self._sequence, sequence)
        if issued_s is not None:
            self._issued_s = max(self._issued_s, issued_s)


class PlainBoard:
    """A relay that knows no leases: the last command wins.

    Parameters
    ----------
    drop_out_s : float or None
        After how long a hard-wired timer drops it out, counted from the last ON [s].
    """

    def __init__(self, *, drop_out_s: float | None = None) -> None:
        self._drop_out_s = math.inf if drop_out_s is None else drop_out_s
        self._heat_until_s = -math.inf

    def receive(self, payload: bytes, mono_s: float) -> Receipt:
        """Obey a message, if it is one."""
        fields = _fields(payload, "heat")
        if fields is None:
            return Receipt(False, "no JSON object with heat true or false")
        self._heat_until_s = mono_s + self._drop_out_s if fields["heat"] else -math.inf
        return _TAKEN

    def heat(self, mono_s: float) -> bool:
        """Whether the contact is closed."""
        return mono_s < self._heat_until_s


def _answers(answers_s: float | None, uptime_s: float, lease_s: float) -> bool:
    return answers_s is not None and 0.0 <= uptime_s - answers_s <= lease_s


def _fields(payload: bytes, word: str) -> dict[str, object] | None:
    try:
        fields = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(fields, dict) or not isinstance(fields.get(word), bool):
        return None
    return fields


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None
