"""`python -m tests.corpus confusion|table|wrong|show|calibrate`: how well labelled traces are read.

python -m tests.corpus confusion --count 3200 --keep DIR     the matrix, and shares by rate
python -m tests.corpus wrong --half tune                     every wrong reading, with its number and why
python -m tests.corpus show 4711                             one case: what was done, and what was read
python -m tests.corpus table                                 writes benchd/traces/READING.md
python -m tests.corpus calibrate                             fits the confidence on the tune half
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from tests.corpus.run import Result, case_of, read, run
from tests.corpus.score import by_rate, confusion, forbidden, reliability, share

DEFAULT_COUNT = 3200


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.corpus", description=__doc__.split("\n")[0])
    parser.add_argument("what", choices=("confusion", "table", "wrong", "show", "calibrate"))
    parser.add_argument("numbers", nargs="*", type=int, help="cases by their numbers, for show")
    parser.add_argument("--count", type=int, default=DEFAULT_COUNT, help="how many cases, from number 0 on")
    parser.add_argument("--half", choices=("all", "tune", "held-out"), default="all")
    parser.add_argument("--keep", type=Path, help="keep made cases in this folder, for the next time")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    if asked.what == "show":
        for number in asked.numbers:
            show(number, asked.keep)
        return 0
    if asked.what == "calibrate":
        from tests.corpus.fit import fit_and_tell

        return fit_and_tell(range(0, asked.count, 2), asked.keep, asked.workers)
    if asked.what == "table":
        from tests.corpus.report import PUBLISHED_FROM, publish

        held_out = range(PUBLISHED_FROM + 1, PUBLISHED_FROM + asked.count, 2)
        return publish(run(held_out, asked.keep, asked.workers))
    results = run(range(asked.count), asked.keep, asked.workers)
    chosen = [r for r in results if asked.half == "all" or r.held_out == (asked.half == "held-out")]
    print_wrong(chosen) if asked.what == "wrong" else print_confusion(chosen)
    return 0


def show(number: int, keep: Path | None) -> None:
    """One case in words, with its readings thinned to a line of figures."""
    case = case_of(number, keep)
    finding, s, c = read(case), case.trace.samples, case.trace.conditions
    print(f"case {number}: {case.truth}; right: {', '.join(sorted(case.accept))}\n  {case.reason}")
    print(f"  {len(s)} readings, {case.rate:.1f}/s, {c.set_voltage_v} V, limit {c.limit_a} A, step {c.resolution_a} A")
    for m in case.trace.marks:
        print(f"  {(m.t_ns - case.trace.start_ns) / 1e9:8.2f} s  {m.kind} by {m.by} {m.why}")
    t_s = (s.t_ns - case.trace.start_ns) / 1e9
    for k in range(0, len(s), max(len(s) // 48, 1)):
        print(f"  {t_s[k]:8.2f} s {s.voltage_v[k]:8.3f} V {s.current_a[k]:8.4f} A  mode {s.mode[k]}")
    print(f"  read: {finding.signature} {finding.confidence}")
    for other in finding.alternatives:
        print(f"    or {other.signature} {other.confidence}: {other.tell_apart}")
    for fact in finding.evidence:
        print(f"    {fact.text}")


def print_wrong(results: list[Result]) -> None:
    for r in sorted(results, key=lambda r: (r.truth, r.signature, r.number)):
        if not r.right:
            bad = " FORBIDDEN" if r in forbidden([r]) else ""
            print(f"{r.number:6} {r.truth} read as {r.signature} {r.confidence}{bad}, {r.rate:.0f}/s: {r.reason}")


def print_confusion(results: list[Result]) -> None:
    for name, some in (("all", results), *by_rate(results)):
        print(f"{name:16} {len(some):5} cases, right {share(some):.1%}, forbidden {len(forbidden(some))}")
    counts = confusion(results)
    columns = sorted({found for _, found in counts})
    width = max(len(t) for t, _ in counts) + 1
    print(" " * width + " ".join(f"{c[:7]:>7}" for c in columns) + "   right")
    for truth in sorted({t for t, _ in counts}):
        row = [counts.get((truth, c), 0) for c in columns]
        right = share([r for r in results if r.truth == truth])
        print(f"{truth:{width}}" + " ".join(f"{n or '.':>7}" for n in row) + f"  {right:6.1%}")
    for low, high, n, mean, hits in reliability(results):
        print(f"confidence {low:.2f} to {high:.2f}: {n:5} findings, said {mean:.2f}, right {hits:.2f}")


if __name__ == "__main__":
    sys.exit(main())
