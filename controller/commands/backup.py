"""``slabtide backup``: a copy of the records in one file, also while the service runs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

SUMMARY = "copy the records into one file, also while the service runs"
EXAMPLE = "slabtide backup /mnt/backup/slabtide-friday.db"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument("to_file", type=Path, metavar="TO_FILE", help="where the copy is to be")
    parser.add_argument("--replace", action="store_true", help="let it take the place of a file")


def run(args: argparse.Namespace) -> int:
    """Copy, check the copy, and say what it holds."""
    from controller.commands._shared import say, usable_configuration
    from controller.local_time import LocalTime
    from controller.store import StoreFailed
    from controller.store.backup import back_up

    configuration, target = usable_configuration(args.site), args.to_file
    if wrong := _unfit(target, configuration.store, replace=args.replace):
        print(wrong, file=sys.stderr)
        return 2
    try:
        copy = back_up(configuration.store, target)
    except StoreFailed as error:
        print(f"Nothing was backed up: {error}", file=sys.stderr)
        return 1
    local = LocalTime(configuration.site.time_zone)
    until = (
        f"up to {local.stamp(copy.last.at.utc_s)}"
        if copy.last
        else "with no last decision to be read"
    )
    say(f"{target}: {copy.size_bytes / 1e6:.1f} MB, every page checked, {until}.")
    return 0


def _unfit(target: Path, store: Path, *, replace: bool) -> str | None:
    """Why there can be no backup there."""
    try:
        return _unfit_place(target, store, replace=replace)
    except OSError as error:
        return f"{target} cannot be used: {error.strerror}"


def _unfit_place(target: Path, store: Path, *, replace: bool) -> str | None:
    if not target.parent.is_dir():
        return f"there is no folder {target.parent}"
    if target.is_dir():
        return f"{target} is a folder; right: the name of a file"
    if target.parent.samefile(store) if store.is_dir() else False:
        return (
            f"{target} lies among the records themselves; right: another folder, best another disk"
        )
    if target.exists() and not replace:
        return f"{target} is there already; right: another name, or --replace"
    return None
