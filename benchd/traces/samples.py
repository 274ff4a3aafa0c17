"""Readings as numpy columns: what capture, features and the store compute with."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from benchd.reading import Block

assert sys.byteorder == "little", "benchd packs readings little-endian and runs on little-endian machines only"


@dataclasses.dataclass(frozen=True, slots=True)
class Samples:
    """Columns of equal length in time order.

    `t_ns` int64, ns since the epoch; `voltage_v`, `current_a` float64; `mode`, `flags` uint8
    (`benchd.reading.Mode`, `Flag`).
    """

    t_ns: NDArray[np.int64]
    voltage_v: NDArray[np.float64]
    current_a: NDArray[np.float64]
    mode: NDArray[np.uint8]
    flags: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.t_ns)

    @classmethod
    def empty(cls) -> Samples:
        """No readings."""
        f, b = np.empty(0), np.empty(0, np.uint8)
        return cls(np.empty(0, np.int64), f, f, b, b)

    @classmethod
    def from_block(cls, block: Block) -> Samples:
        """Columns of a block, without copying."""
        return cls(
            np.frombuffer(block.t_ns, np.int64),
            np.frombuffer(block.voltage_v, np.float64),
            np.frombuffer(block.current_a, np.float64),
            np.frombuffer(block.mode, np.uint8),
            np.frombuffer(block.flags, np.uint8),
        )

    @classmethod
    def concat(cls, parts: Iterable[Samples]) -> Samples:
        """One after the other, in the given order."""
        whole = [p for p in parts if len(p)]
        if not whole:
            return cls.empty()
        if len(whole) == 1:
            return whole[0]
        return cls(
            np.concatenate([p.t_ns for p in whole]),
            np.concatenate([p.voltage_v for p in whole]),
            np.concatenate([p.current_a for p in whole]),
            np.concatenate([p.mode for p in whole]),
            np.concatenate([p.flags for p in whole]),
        )

    def between(self, start_ns: int, end_ns: int) -> Samples:
        """The readings with start_ns <= t < end_ns."""
        a, b = np.searchsorted(self.t_ns, [start_ns, end_ns])
        return self[a:b]

    def __getitem__(self, part: slice) -> Samples:
        return Samples(self.t_ns[part], self.voltage_v[part], self.current_a[part], self.mode[part], self.flags[part])

    def where(self, kept: NDArray[np.bool_]) -> Samples:
        """Those readings for which `kept` is true."""
        return Samples(
            self.t_ns[kept], self.voltage_v[kept], self.current_a[kept], self.mode[kept], self.flags[kept]
        )  # fmt: skip
