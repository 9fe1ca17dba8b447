"""``slabtide restore``: put a backup in the place of the records."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.local_time import LocalTime
    from controller.store.backup import Restored

SUMMARY = "put a backup in the place of the records; the service must be stopped"
EXAMPLE = "slabtide restore /mnt/backup/slabtide-friday.db"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "from_file", type=Path, metavar="FROM_FILE", help="a backup, or a store that was set aside"
    )
    parser.add_argument(
        "--of-site", metavar="ID", help="the site's id in the backup, where it was another one then"
    )


def run(args: argparse.Namespace) -> int:
    """Restore where no service runs; the records before stay aside."""
    from controller.clock import SystemClock
    from controller.commands._shared import usable_configuration
    from controller.local_time import LocalTime
    from controller.site_lock import AlreadyRunning, site_lock
    from controller.store import StoreDamaged, StoreFailed, StoreUnsuitable
    from controller.store.backup import restore

    configuration = usable_configuration(args.site)
    try:
        with site_lock(configuration.store, args.site):
            restored = restore(
                configuration.store,
                args.from_file,
                at_s=SystemClock().now().utc_s,
                of_site=args.of_site or configuration.site.id,
            )
    except AlreadyRunning:
        print("The service is running: stop it first. Nothing was changed.", file=sys.stderr)
        return 1
    except (StoreUnsuitable, StoreDamaged) as error:
        print(f"Nothing was changed: {error}", file=sys.stderr)
        return 2
    except StoreFailed as error:
        print(f"Not restored: {error}", file=sys.stderr)
        return 1
    _tell(restored, LocalTime(configuration.site.time_zone))
    return 0


def _tell(restored: Restored, local: LocalTime) -> None:
    from controller.commands._shared import say

    last = restored.last
    say(f"Restored{f', up to {local.stamp(last.at.utc_s)}' if last else ''}.")
    if restored.aside is not None:
        say(f"The records before are kept as {restored.aside}.")
    for heater in restored.locked_out:
        say(f"{heater} is locked out: see `slabtide why`, then `slabtide acknowledge`.")
