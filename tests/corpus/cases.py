"""All kinds of cases with their shares, and one case by its number."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import msgspec
import numpy as np

from tests.corpus import courses, faults, odd, usb
from tests.corpus.draw import Bench, Case, bench

VERSION = 1
"""Goes up when the same number gives another case."""

BOARDS: dict[str, tuple[Callable[[Bench], Case], float]] = {
    "no-draw": (faults.no_draw, 6),
    "dead-short": (faults.dead_short, 8),
    "early-leak": (faults.early_leak, 9),
    "low-stall": (faults.low_stall, 7),
    "mid-stall": (faults.mid_stall, 7),
    "brief-kick": (faults.brief_kick, 7),
    "late-short": (faults.late_short, 8),
    "reversed": (faults.reversed_board, 2),
    "clean-boot": (courses.clean_boot, 10),
    "cut-boot": (courses.cut_boot, 4),
    "gives-up": (courses.gives_up, 2),
    "boot-loop": (courses.boot_loop, 9),
    "over-draw": (courses.over_draw, 6),
    "limit-sag": (courses.limit_sag, 7),
    "loose-contact": (courses.loose_contact, 7),
    "few-readings": (odd.few_readings, 1.5),
    "settled-only": (odd.settled_only, 1),
    "two-tries": (odd.two_tries, 1),
    "creeping": (odd.creeping, 1),
    "cell-charged": (odd.cell_charged, 1),
    "lost-numbers": (odd.lost_numbers, 1),
}
PORTS: dict[str, tuple[Callable[[np.random.Generator, float | None], Case], float]] = {
    "usb-nothing": (usb.nothing, 2),
    "usb-unconfigured": (usb.unconfigured, 2.5),
    "usb-enumerated": (usb.enumerated, 2.5),
    "usb-charging": (usb.charging, 2.5),
    "usb-short": (usb.shorted, 1.5),
    "usb-loop": (usb.loop, 1.5),
    "usb-computer": (usb.computer, 1.5),
}


def sort_of(number: int) -> str:
    """Which kind of case this number is."""
    names = [*BOARDS, *PORTS]
    weights = np.array([w for _, w in (*BOARDS.values(), *PORTS.values())])
    rng = np.random.default_rng([VERSION, number])
    return str(names[int(rng.choice(len(names), p=weights / weights.sum()))])


def make(number: int, rate: float | None = None) -> Case:
    """The case of this number, always the same. `rate`: of the readings, where it is not to be drawn."""
    sort = sort_of(number)
    rng = np.random.default_rng([VERSION, number, 1])
    if sort in PORTS:
        return _at_a_port(PORTS[sort][0](rng, rate))
    return BOARDS[sort][0](bench(rng, rate))


def _at_a_port(case: Case) -> Case:
    """5 V alone do not make a USB port; the plan says that it is one."""
    told = msgspec.structs.replace(case.trace.conditions, side="usb")
    return dataclasses.replace(case, trace=dataclasses.replace(case.trace, conditions=told))


def held_out(number: int) -> bool:
    """Half of the numbers are kept apart: nothing is tuned or fitted with them."""
    return number % 2 == 1
