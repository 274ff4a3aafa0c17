"""`python -m tests.benchmarks NAME [--json]`: one JSON object {"name", "figures": {...}, "machine"}."""

from __future__ import annotations

import argparse
import json
import os
import platform
import signal
import sys

from tests.benchmarks import (
    clients,
    follow,
    identify,
    idle,
    kills,
    log,
    page,
    procedure,
    rate,
    read,
    report,
    soak,
    trip,
    year,
)

NAMES = {
    "trip": trip.measure,
    "clients": clients.measure,
    "follow": follow.measure,
    "kills": kills.measure,
    "rate": rate.measure,
    "read": read.measure,
    "report": report.measure,
    "idle": idle.measure,
    "identify": identify.measure,
    "log": log.measure,
    "page": page.measure,
    "procedure": procedure.measure,
    "soak": soak.measure,
    "year": year.measure,
}


def machine() -> str:
    """Processor, cores, system and Python, so that two figures can be told apart."""
    system = f"{platform.system()} {platform.release()}"
    return f"{platform.machine()}, {os.cpu_count()} cores, {system}, Python {platform.python_version()}"


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks")
    parser.add_argument("name", choices=sorted(NAMES))
    parser.add_argument("--json", action="store_true", help="one JSON object instead of lines")
    parser.add_argument("--quick", action="store_true", help="fewer rounds: to see that it runs, not to quote")
    asked = parser.parse_args()
    # As an exception: daemons, supplies and browsers that were started are ended on the way out.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    figures = NAMES[asked.name](quick=asked.quick)
    result = {"name": asked.name, "figures": figures, "machine": machine()}
    if asked.json:
        print(json.dumps(result))
    else:
        for key, value in figures.items():
            print(f"{key:24} {value}")
        print(f"{'machine':24} {result['machine']}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
