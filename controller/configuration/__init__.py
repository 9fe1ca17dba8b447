"""The three files an owner writes, read into records, with every problem named at its place.

``load_all`` is the only way in. It gives a whole and consistent configuration or raises; nothing
half-read ever leaves this package.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from controller.calendar import Bookings
from controller.configuration.bookings import Surroundings, read_bookings
from controller.configuration.broker import Use, check_access
from controller.configuration.cross_checks import check_limits_suit, check_site
from controller.configuration.fields import Fields
from controller.configuration.kinds import FOLDER, IDENT
from controller.configuration.limits import read_limits, target_span
from controller.configuration.output_checks import check_outputs
from controller.configuration.problems import ConfigurationError, Findings, Problem, Spot
from controller.configuration.site import read_site
from controller.configuration.yaml_source import read_roughly, read_text, read_tree
from controller.records.limits import Limits
from controller.records.site import Site

LIMITS_NAME = "limits.yaml"
BOOKINGS_NAME = "bookings.yaml"


@dataclass(frozen=True, slots=True)
class Configuration:
    """Everything that the owner's files say.

    Attributes
    ----------
    site, limits, bookings : Site, Limits, Bookings
    folder : Path
        Where the site file stands.
    store : Path
        The folder of the records, absolute.
    texts : mapping
        File name to its text, as it was read.
    """

    site: Site
    limits: Limits
    bookings: Bookings
    folder: Path
    store: Path
    texts: Mapping[str, str]


def load_all(
    site_path: Path,
    *,
    bookings_path: Path | None = None,
    broker: Use = Use.NONE,
    instead: Mapping[str, str] = MappingProxyType({}),
) -> Configuration:
    """Read the site file and, beside it, the limits and the bookings.

    Parameters
    ----------
    site_path : Path
    bookings_path : Path, optional
        Another bookings file than the one beside the site file.
    broker : Use
        Whether the broker will be used, so that its secrets and certificates must be fit, too.
    instead : mapping
        File name to a text that is taken for what stands in it; such a file is not read.

    Returns
    -------
    Configuration

    Raises
    ------
    ConfigurationError
        With every problem of all the files, where there is any.
    """
    folder = site_path.parent
    findings = Findings()
    texts: dict[str, str] = {}
    fields = [
        _open(path, findings, texts, instead.get(path.name))
        for path in (
            site_path,
            folder / LIMITS_NAME,
            bookings_path or folder / BOOKINGS_NAME,
        )
    ]
    read = read_site(fields[0], folder=folder)
    check_site(read, folder=folder)
    check_access(read.broker, broker)
    check_outputs(read)
    limits = read_limits(fields[1])
    check_limits_suit(read, limits)
    zones = tuple(zone.id for zone in read.site.zones)
    bookings = read_bookings(fields[2], Surroundings(zones, target_span(limits)))
    problems = findings.sorted()
    if problems:
        raise ConfigurationError(problems)
    store = (folder / read.site.store).resolve()
    return Configuration(read.site, limits, bookings, folder, store, texts)


def site_line(site_path: Path, key: str, *, instead: str | None = None) -> str | None:
    """What one line of a site file says that cannot be read as a whole; None where it cannot tell.

    Parameters
    ----------
    site_path : Path
    key : str
        ``id`` or ``store``, which stand in a line of their own.
    instead : str, optional
        A text that is taken for what stands in the file.
    """
    text = read_roughly(site_path) if instead is None else instead
    line = "\n".join(line for line in text.splitlines() if line.startswith(f"{key}:"))
    findings = Findings()
    table = read_tree(line, str(site_path), findings)
    with Fields(table, path="", spot=Spot(str(site_path)), findings=findings) as fields:
        value = fields.read(key, IDENT if key == "id" else FOLDER)
    return None if findings.sorted() else value


def _open(path: Path, findings: Findings, texts: dict[str, str], instead: str | None) -> Fields:
    text = read_text(path, findings) if instead is None else instead
    table = None
    if text is not None:
        texts[path.name] = text
        table = read_tree(text, str(path), findings)
    return Fields(table, path="", spot=Spot(str(path)), findings=findings)


__all__ = [
    "BOOKINGS_NAME",
    "LIMITS_NAME",
    "Bookings",
    "Configuration",
    "ConfigurationError",
    "Problem",
    "Use",
    "load_all",
    "site_line",
]
