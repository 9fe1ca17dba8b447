"""What a rule says, as a sentence: from its own templates, or from its code and values."""

from __future__ import annotations

from collections.abc import Mapping

from controller import outputs
from controller.interlocks import RULES
from controller.interlocks.rule import FAILED
from controller.local_time import duration
from controller.records.safety import Clears, Severity, Verdict

_NOT_RULES = {
    "record": {
        "not_written": "The decision could not be written to the store, so there is no heat but "
        "frost protection.",
    },
    outputs.NAME: outputs.SENTENCES,
}
"""What the sequence of outputs and the recorder put into a decision."""

_FAILED = "This rule failed ({subject}): what it guards is unknown, so there is no heat but frost "
_FAILED += "protection."

TEMPLATES: Mapping[str, Mapping[str, str]] = {
    **{rule.NAME: rule.SENTENCES for rule in RULES},
    **_NOT_RULES,
}
"""Rule -> reason code -> sentence with fields for the verdict's values and ``subject``."""

SEVERITY_WORDS = {
    Severity.ALLOW: "allows",
    Severity.WARN: "warns",
    Severity.HOLD: "keeps the last command",
    Severity.OFF: "no heat",
    Severity.FROST: "asks for heat",
    Severity.TRIP: "tripped",
    Severity.LOCKOUT: "locked out",
}

CLEARS_WORDS = {
    Clears.NOTHING_TO_CLEAR: "",
    Clears.WHEN_CLEAR: " It ends by itself once this is over.",
    Clears.AFTER_TIME: " It ends by itself when its time is up.",
    Clears.ON_ACKNOWLEDGE: " It ends with `slabtide acknowledge`, once the cause is gone.",
}

_VALUE_UNITS = {"_w_m2": "W/m²", "_kwh": "kWh", "_bar": "bar", "_c": "°C", "_k": "K", "_w": "W"}
"""Ending of a value's name -> unit; longer endings first."""


def verdict_sentence(
    verdict: Verdict, templates: Mapping[str, Mapping[str, str]] = TEMPLATES
) -> str:
    """What a rule said; by its code and values where there is no fitting sentence."""
    template = templates.get(verdict.rule, {}).get(verdict.reason)
    if template is None and verdict.reason == FAILED:
        template = _FAILED
    if template is None:
        return _plain_verdict(verdict)
    try:
        return template.format(subject=verdict.subject, **(verdict.values or {}))
    except (LookupError, ValueError, TypeError, AttributeError):
        return _plain_verdict(verdict)


def _plain_verdict(verdict: Verdict) -> str:
    values = [_named_value(name, value) for name, value in (verdict.values or {}).items()]
    told = "; ".join([verdict.subject, *values] if verdict.subject else values)
    code = f"{verdict.rule}: {verdict.reason}".replace("_", " ")
    return code[:1].upper() + code[1:] + (f" ({told})." if told else ".")


def _named_value(name: str, value: float) -> str:
    if name.endswith("_s"):
        return f"{name.removesuffix('_s').replace('_', ' ')} {duration(value)}"
    for ending, unit in _VALUE_UNITS.items():
        if name.endswith(ending):
            return f"{name.removesuffix(ending).replace('_', ' ')} {value:.1f} {unit}"
    return f"{name.replace('_', ' ')} {value:g}"


def verdict_sentences(verdicts: tuple[Verdict, ...]) -> tuple[str, ...]:
    """Every rule by name with what it said, the weightiest first."""
    ordered = sorted(verdicts, key=lambda v: -v.severity)
    return tuple(
        f"{v.rule.replace('_', ' ')} [{SEVERITY_WORDS[v.severity]}]: {verdict_sentence(v)}"
        + (CLEARS_WORDS[v.clears] if v.severity > Severity.ALLOW else "")
        for v in ordered
    )
