"""Readings that wait for the disk: small blocks become few, since an outage of hours is thousands of them."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.reading import Block

Key = tuple[str, int, str | None, str | None]
"""Supply, channel, job, trace: what a block belongs to."""
Waiting = tuple[int, Key, Block]
"""Number in the order they came, where it belongs, readings."""

JOINED_READINGS = 4096
"""Blocks that wait for long are joined up to here: a block has some 400 bytes of its own, mostly for one reading."""


def join_waiting(waiting: Sequence[Waiting]) -> list[Waiting]:
    """The same readings in fewer blocks, in order; each has the number of its last part."""
    joined: list[Waiting] = []
    groups: dict[Key, list[Waiting]] = {}
    for each in waiting:
        parts = groups.setdefault(each[1], [])
        if parts and sum(len(block) for _, _, block in parts) + len(each[2]) > JOINED_READINGS:
            joined.append(_one_waiting(parts))
            parts.clear()
        parts.append(each)
    joined += [_one_waiting(parts) for parts in groups.values()]
    joined.sort(key=lambda each: each[0])
    return joined


def _one_waiting(parts: list[Waiting]) -> Waiting:
    number, key, _ = parts[-1]
    return number, key, one_block([block for _, _, block in parts])


def one_block(parts: list[Block]) -> Block:
    """Blocks of one channel as one."""
    if len(parts) == 1:
        return parts[0]
    return Block(
        parts[0].supply,
        parts[0].channel,
        b"".join(p.t_ns for p in parts),
        b"".join(p.voltage_v for p in parts),
        b"".join(p.current_a for p in parts),
        b"".join(p.mode for p in parts),
        b"".join(p.flags for p in parts),
        max(p.half_trip_ns for p in parts),
        sum(p.dropped for p in parts),
    )
