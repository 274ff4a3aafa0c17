"""`python -m tests.crash damage N` and `python -m tests.crash kills N`: exit status 0 when every promise was kept."""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

from tests.crash import damage, kills


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.crash")
    parser.add_argument("what", choices=["damage", "kills"])
    parser.add_argument("number", type=int)
    parser.add_argument("--seed", type=int, default=random.randrange(10**6), help="the same again")
    parser.add_argument("--daemons", type=int, help="so many of the kills are of the whole daemon; else one in twelve")
    parser.add_argument("--patience", type=float, default=1.0, help="factor on the 250 ms (busy machine: 2)")
    asked = parser.parse_args()
    print(f"seed {asked.seed}", file=sys.stderr, flush=True)
    if asked.what == "damage":
        return _damage(asked.number, asked.seed)
    daemons = asked.number // 12 if asked.daemons is None else asked.daemons
    return _kills(asked.number, daemons, asked.seed, asked.patience)


def _kills(number: int, daemons: int, seed: int, patience: float) -> int:
    with tempfile.TemporaryDirectory() as folder:
        outcomes = kills.kill_writers(Path(folder), number - daemons, seed)
    with tempfile.TemporaryDirectory() as folder:
        outcomes += kills.kill_daemons(Path(folder), daemons, seed)
    for each in outcomes:
        each.judge(patience)
    print("killed              kills  readings  lost ms: median    p99   most  acknowledged")
    for what in dict.fromkeys(each.what for each in outcomes):
        those = [each for each in outcomes if each.what == what]
        missing = sorted(each.missing_ms for each in those)
        print(
            f"{what:<18} {len(those):>6} {sum(each.readings for each in those):>9} {missing[len(missing) // 2]:>16.0f} "
            f"{missing[int(len(missing) * 0.99)]:>6.0f} {missing[-1]:>6.0f} {sum(e.acknowledged for e in those):>13}"
        )
    failed = [each for each in outcomes if each.failure]
    for each in failed:
        print(f"seed {each.seed}, {each.what}: {each.failure}")
    print(f"{len(outcomes)} kills, {len(failed)} not as promised")
    return 1 if failed else 0


def _damage(number: int, seed: int) -> int:
    by_way: dict[str, list[damage.Outcome]] = defaultdict(list)
    with tempfile.TemporaryDirectory() as made:
        kept = damage.make(Path(made))
        for n in range(number):
            with tempfile.TemporaryDirectory() as folder:
                outcome = damage.once(kept, Path(folder), seed + n)
            by_way[outcome.how].append(outcome)
            if outcome.failure:
                print(f"seed {outcome.seed}, {outcome.how}: {outcome.failure}", flush=True)
    print(f"{'damage':<22} {'logs':>5} {'sound':>6} {'repaired':>9} {'nothing left':>13} {'rows saved':>11}")
    for how, outcomes in sorted(by_way.items()):
        read = [each for each in outcomes if each.sound or each.repaired]
        share = sum(each.rows_after for each in read) / max(1, sum(each.rows_before for each in read))
        print(
            f"{how:<22} {len(outcomes):>5} {sum(each.sound for each in outcomes):>6} "
            f"{sum(each.repaired for each in outcomes):>9} {len(outcomes) - len(read):>13} {share:>10.1%}"
        )
    failed = sum(bool(each.failure) for outcomes in by_way.values() for each in outcomes)
    print(f"{number} damaged logs, {failed} not as promised")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
