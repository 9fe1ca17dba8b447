"""``slabtide run``: the service itself."""

from __future__ import annotations

import argparse
import logging
import sys
from pathlib import Path

SUMMARY = "run the service: read the sensors, decide every ten seconds, switch the heater"
EXAMPLE = "slabtide run --site config/site.yaml"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--lockstep",
        type=Path,
        metavar="SOCKET",
        help="take the time from whoever listens at this Unix socket instead of from the "
        "machine's clock (demonstration and soak only; see DEVELOPERS.md)",
    )
    parser.add_argument("--quiet", action="store_true", help="log warnings and errors only")


def run(args: argparse.Namespace) -> int:
    """Serve until stopped by SIGTERM or Ctrl-C."""
    from controller.credentials import CredentialError
    from controller.guard import TakenOver
    from controller.lockstep import NoPacer
    from controller.service import serve, serve_in_lockstep
    from controller.site_lock import AlreadyRunning
    from controller.store.failures import StoreFailed
    from controller.store.sqlite_version import known_fault

    level = logging.WARNING if args.quiet else logging.INFO
    logging.basicConfig(level=level, format="%(levelname)s %(message)s", stream=sys.stderr)
    # the scheduler tells of every tick, the MQTT library of every packet
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    logging.getLogger("controller.relays.mqtt").setLevel(logging.WARNING)
    logging.getLogger("controller.sensors.mqtt").setLevel(logging.WARNING)
    if fault := known_fault():
        logging.getLogger(__name__).warning("%s", fault)
    try:
        if args.lockstep:
            serve_in_lockstep(args.site, args.lockstep)
        else:
            serve(args.site)
    except CredentialError as error:
        print(error, file=sys.stderr)
        return 2
    except NoPacer as error:
        print(error, file=sys.stderr)
        return 2
    except AlreadyRunning as error:
        print(f"another service already runs on this site (lock in {error})", file=sys.stderr)
        return 1
    except StoreFailed as error:
        print(f"the records cannot be used, so nothing is switched: {error}", file=sys.stderr)
        return 1
    except TakenOver:
        print("another client has taken the session to a relay; all heat is off", file=sys.stderr)
        return 1
    return 0
