"""`python -m tests.chaos [--faults N] [--seed N] [--json]`: exit status 0 when every promise was kept."""

from __future__ import annotations

import argparse
import dataclasses
import json
import random
import signal
import sys
import time

from tests.chaos.lane import LINES
from tests.chaos.run import run, table


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.chaos")
    parser.add_argument("--faults", type=int, default=200)
    parser.add_argument("--seed", type=int, default=random.randrange(10**6), help="the same faults again")
    parser.add_argument("--patience", type=float, default=1.0, help="factor on what is promised (busy machine: 2)")
    parser.add_argument("--line", choices=LINES, action="append", help="only benches on such a line")
    parser.add_argument("--only", default="", metavar="WORDS", help="only faults with these words in their name")
    parser.add_argument("--json", action="store_true", help="one JSON object a fault instead of the table")
    asked = parser.parse_args()
    print(f"seed {asked.seed}", file=sys.stderr, flush=True)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    began_s = time.monotonic()
    outcomes = run(asked.faults, asked.seed, asked.patience, asked.line or LINES, asked.only)
    for outcome in outcomes if asked.json else ():
        print(json.dumps(dataclasses.asdict(outcome)))
    if not asked.json:
        print(table(outcomes))
    failed = sum(bool(outcome.failure) for outcome in outcomes)
    took_s = time.monotonic() - began_s
    print(f"{len(outcomes)} faults in {took_s:.0f} s, {failed} not as promised (seed {asked.seed})", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
