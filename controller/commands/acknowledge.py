"""``slabtide acknowledge``: lift a lockout after its cause has been looked at."""

from __future__ import annotations

import argparse
import sys

SUMMARY = "lift a lockout after its cause is put right, or confirm that a sensor is gone for good"
EXAMPLE = "slabtide acknowledge --heater boiler"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--heater", metavar="ID", help="the heater (default: the only one of the site)"
    )


def run(args: argparse.Namespace) -> int:
    """Leave a request that the running service takes at its next tick."""
    from controller.clock import SystemClock
    from controller.configuration import load_all
    from controller.requests import leave_acknowledgement

    configuration = load_all(args.site)
    heaters = [heater.id for heater in configuration.site.heaters]
    heater = args.heater or (heaters[0] if len(heaters) == 1 else None)
    if heater not in heaters:
        wrong = f"there is no heater {args.heater!r}" if args.heater else "which heater?"
        print(f"{wrong}; use --heater with one of: {', '.join(heaters)}", file=sys.stderr)
        return 2
    leave_acknowledgement(configuration.store, heater, at_s=SystemClock().now().utc_s)
    print(
        "Asked. A running service takes it at its next tick, one that is down when it starts. "
        f"Where {heater} waits for nothing it changes nothing; a lockout whose cause stands "
        "comes back at once: see `slabtide why`."
    )
    return 0
