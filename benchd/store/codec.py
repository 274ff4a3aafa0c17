"""A block of readings as few bytes: lossless, versioned, checked.

Instruments answer in decimals, so voltages and currents lie on a grid such as 0.1 mA: stored are whole numbers of
that grid, as differences from reading to reading, less the usual difference. Columns that fit no grid (a NaN, a
computed value) keep their 64 bits. Differences become byte planes (all lowest bytes, then all next ones), of which
only as many are kept as the largest difference needs; then deflate, whose checksum also tells a damaged block.

Layout: version u8; then zlib of: number of readings u32, five column heads, all planes, column after column.
Column head: kind u8 (0 = as it is, 1 + k = decimals with k places), planes u8, first value i64, usual step i64.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

from benchd.store.errors import LogError
from benchd.traces.samples import Samples

VERSION = 1
_HEAD = struct.Struct("<I")
_COLUMN = struct.Struct("<BBqq")
_MAX_PLACES = 12
MAX_READINGS = 65_536
"""In one block: far more than rows of the log have. What unpacks to more is damaged, or meant to fill the memory."""
_EXACT = float(2**53)
"""Whole numbers up to here are exact in float64; m / 10^k is then the double nearest to the decimal, as parsed."""

U64 = NDArray[np.uint64]


class CodecError(LogError):
    """A stored block cannot be unpacked: damaged, or of a newer version."""


def encode(samples: Samples) -> bytes:
    """Pack readings, at most MAX_READINGS. Every bit of every column comes back from `decode`."""
    if len(samples) > MAX_READINGS:
        raise ValueError(f"{len(samples)} readings in one block: allowed are {MAX_READINGS}")
    heads, planes = [], []
    for bits, kind in _columns(samples):
        head, data = _pack(bits, kind)
        heads.append(head)
        planes.append(data)
    return bytes([VERSION]) + zlib.compress(b"".join([_HEAD.pack(len(samples)), *heads, *planes]), 1)


def decode(data: bytes) -> Samples:
    """Unpack what `encode` packed. Raises CodecError."""
    try:
        if data[:1] != bytes([VERSION]):
            raise CodecError(f"block of version {data[0] if data else '?'}; this benchd knows version {VERSION}")
        raw = _inflated(data)
        (n,) = _HEAD.unpack_from(raw)
        heads = [_COLUMN.unpack_from(raw, _HEAD.size + i * _COLUMN.size) for i in range(5)]
    except (struct.error, zlib.error) as e:
        raise CodecError(f"damaged block of readings: {e}") from e
    if n > MAX_READINGS or not all(kind <= 1 + _MAX_PLACES and width <= 8 for kind, width, _, _ in heads):
        raise CodecError(f"damaged block of readings: heads {heads} for {n} readings")
    columns, at = [], _HEAD.size + 5 * _COLUMN.size
    if len(raw) != at + max(n - 1, 0) * sum(h[1] for h in heads):
        raise CodecError(f"damaged block of readings: {len(raw)} bytes for {n} readings")
    for kind, width, first, smallest in heads:
        size = max(n - 1, 0) * width
        columns.append((_unpack(raw[at : at + size], n, width, first, smallest), kind))
        at += size
    (t, _), volts, amps, (mode, _), (flags, _) = columns
    return Samples(t.view(np.int64), _floats(*volts), _floats(*amps), mode.astype(np.uint8), flags.astype(np.uint8))


def _inflated(data: bytes) -> bytes:
    """The block's content; no more of it than a block can have."""
    inflating = zlib.decompressobj()
    raw = inflating.decompress(memoryview(data)[1:], _HEAD.size + 5 * (_COLUMN.size + 8 * MAX_READINGS) + 1)
    if not inflating.eof or inflating.unused_data:
        raise CodecError("damaged block of readings: it does not end where it should")
    return raw


def _columns(samples: Samples) -> list[tuple[U64, int]]:
    return [
        (np.ascontiguousarray(samples.t_ns, np.int64).view(np.uint64), 0),
        _on_grid(samples.voltage_v),
        _on_grid(samples.current_a),
        (samples.mode.astype(np.uint64), 0),
        (samples.flags.astype(np.uint64), 0),
    ]


def _on_grid(values: NDArray[np.float64]) -> tuple[U64, int]:
    """The values as whole numbers of the coarsest decimal grid that gives back every bit, else as they are."""
    values = np.ascontiguousarray(values, np.float64)
    bits = values.view(np.uint64)
    probe = values[:: max(1, len(values) // 16)]
    for places in range(_MAX_PLACES + 1):
        # A few readings tell most wrong grids apart; only a likely one is tried on all.
        if _fits(probe, places) is not None and (whole := _fits(values, places)) is not None:
            return whole.view(np.uint64), 1 + places
    return bits, 0


def _fits(values: NDArray[np.float64], places: int) -> NDArray[np.int64] | None:
    scale = 10.0**places
    with np.errstate(all="ignore"):
        near = np.rint(values * scale)
        if not np.all(np.abs(near) <= _EXACT):
            return None
        whole = near.astype(np.int64)
    same: bool = np.array_equal((whole / scale).view(np.uint64), values.view(np.uint64))
    return whole if same else None


def _floats(bits: U64, kind: int) -> NDArray[np.float64]:
    return bits.view(np.float64) if kind == 0 else bits.view(np.int64) / 10.0 ** (kind - 1)


def _pack(bits: U64, kind: int) -> tuple[bytes, bytes]:
    if len(bits) == 0:
        return _COLUMN.pack(kind, 0, 0, 0), b""
    # All arithmetic is modulo 2^64, so it comes back exactly whatever the values are.
    steps = np.diff(bits).view(np.int64)
    usual = int(np.partition(steps, len(steps) // 2)[len(steps) // 2]) if len(steps) else 0
    if usual:
        steps = steps - np.int64(usual)
    # Zigzag: 0, -1, 1, -2 … become 0, 1, 2, 3 …, so small steps of either sign leave the high planes empty.
    folded = ((steps << 1) ^ (steps >> 63)).view(np.uint64)
    width = (int(folded.max()).bit_length() + 7) // 8 if len(folded) else 0
    table = folded.view(np.uint8).reshape(-1, 8)[:, :width]
    return _COLUMN.pack(kind, width, int(bits[:1].view(np.int64)[0]), usual), table.T.tobytes()


def _unpack(planes: bytes, n: int, width: int, first: int, usual: int) -> U64:
    bits = np.full(n, np.uint64(usual % 2**64))
    if n == 0:
        return bits
    bits[0] = first % 2**64
    if width == 0 and usual == 0:
        bits[1:] = bits[0]  # as modes and flags mostly are
        return bits
    if width:
        folded = np.frombuffer(planes, np.uint8, n - 1).astype(np.uint64)
        for k in range(1, width):
            folded |= np.frombuffer(planes, np.uint8, n - 1, k * (n - 1)).astype(np.uint64) << np.uint64(8 * k)
        bits[1:] += (folded >> np.uint64(1)) ^ (np.uint64(0) - (folded & np.uint64(1)))
    summed: U64 = np.cumsum(bits, dtype=np.uint64)
    return summed
