"""`python -m tests.follow kills|brokers N`: N random kills of real servers while the log is being followed.

Each word is a module of this folder with `run(count: int) -> int`, which prints its figures and returns the exit
status: 0 when every point and every event came exactly once.
"""

from __future__ import annotations

import argparse
import importlib
import sys

WORDS = {
    "brokers": "tests.follow.brokers",
    "kills": "tests.follow.kills",
}


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.follow", description=__doc__)
    parser.add_argument("word", choices=sorted(WORDS))
    parser.add_argument("count", type=int, help="how many kills")
    asked = parser.parse_args()
    found: int = importlib.import_module(WORDS[asked.word]).run(asked.count)
    return found


if __name__ == "__main__":
    sys.exit(main())
