"""`identify`: from the question to the last answer on a bench of 16 simulated supplies, each a process of its own that
takes 20 ms for a reply, as bench supplies of the faster kind do. All their announcing and listing is left out: what
the machine has beside them would be measured too.
"""

from __future__ import annotations

import contextlib
import statistics
import time

from benchd.supplies.discovery_ask import ask, shipped
from benchd.supplies.discovery_parallel import side_by_side
from benchd.supplies.discovery_places import named_place
from tests.simulated import SimulatedSupply

SUPPLIES = 16
LATENCY_MS = 20


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `identify`: seconds, the median of some rounds; the first reads the profiles too."""
    with contextlib.ExitStack() as stack:
        bench = [stack.enter_context(SimulatedSupply(latency_ms=LATENCY_MS, pty=n % 2 == 1)) for n in range(SUPPLIES)]
        places = [named_place(f"ASRL{s.pty}::INSTR" if s.pty else s.resource) for s in bench]
        took_s = [_round(places) for _ in range(1 if quick else 5)]
    return {"identify_s": round(statistics.median(took_s), 3), "first_s": round(took_s[0], 3), "supplies": SUPPLIES}


def _round(places: list) -> float:
    started = time.monotonic()
    shipped()
    answers = side_by_side({place: lambda place=place: ask(place) for place in places}, 30)
    took_s = time.monotonic() - started
    missing = [place.resource for place in places if not answers.done[place].identity]
    if missing:
        raise RuntimeError(f"not identified: {', '.join(missing)}")
    return took_s
