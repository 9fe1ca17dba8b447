"""The example's site file with all that it shows as comments."""

from __future__ import annotations

import re

_SECTIONS = r"^( *)# (forecast:|tariff:|circulation_pump:|zone_valve:|tls:|user:|password_file:|  )"


def uncommented(text: str) -> str:
    """Take the comment marks off whatever belongs to a section that is shown as a comment."""
    return re.sub(_SECTIONS, r"\1\2", text, flags=re.MULTILINE)
