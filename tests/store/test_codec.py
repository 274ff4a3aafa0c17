"""Blocks come back to the last bit, small and checked."""

from __future__ import annotations

import tracemalloc
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.store import codec
from benchd.traces.samples import Samples
from tests.store.making import T0, same

any_float = st.floats(width=64, allow_nan=True, allow_infinity=True)
decimal = st.builds(lambda m, k: float(f"{m}e-{k}"), st.integers(-(10**7), 10**7), st.integers(0, 9))
on_one_grid = st.integers(0, 9).flatmap(
    lambda k: st.lists(st.integers(-(10**9), 10**9).map(lambda m: float(f"{m}e-{k}")), max_size=60)
)


def _samples(t: list[int], v: list[float], i: list[float], mode: list[int], flags: list[int]) -> Samples:
    n = min(map(len, (t, v, i, mode, flags)))
    return Samples(
        np.array(t[:n], np.int64), np.array(v[:n], float), np.array(i[:n], float),
        np.array(mode[:n], np.uint8), np.array(flags[:n], np.uint8),
    )  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.integers(-(2**63), 2**63 - 1), max_size=60),
    st.one_of(st.lists(any_float, max_size=60), st.lists(decimal, max_size=60), on_one_grid),
    st.one_of(st.lists(any_float, max_size=60), on_one_grid),
    st.lists(st.integers(0, 255), max_size=60),
    st.lists(st.integers(0, 255), max_size=60),
)
def test_every_bit_comes_back(t: list[int], v: list[float], i: list[float], mode: list[int], flags: list[int]) -> None:
    samples = _samples(t, v, i, mode, flags)
    assert same(codec.decode(codec.encode(samples)), samples)


@pytest.mark.parametrize(
    "value", [-0.0, 5e-324, 1.7976931348623157e308, float("nan"), float("-inf"), 0.1 + 0.2, 2.0**53 + 2]
)
def test_awkward_numbers_come_back(value: float) -> None:
    samples = _samples([T0, T0 + 1, T0 + 2], [1.0, value, 2.0], [value] * 3, [1] * 3, [0] * 3)
    assert same(codec.decode(codec.encode(samples)), samples)


def test_a_nan_with_a_payload_keeps_it() -> None:
    odd = np.array([0x7FF8DEADBEEF0001], np.uint64).view(float)
    samples = Samples(np.array([T0]), odd, odd, np.zeros(1, np.uint8), np.zeros(1, np.uint8))
    assert same(codec.decode(codec.encode(samples)), samples)


def real_looking(n: int, rate_per_s: int, seed: int = 1) -> Samples:
    """A staircase of 0.06, 0.46, 0.86 A with 2 mA noise at 0.1 mA resolution, 1 mV resolution, 20 µs of jitter."""
    rng = np.random.default_rng(seed)
    t = T0 + np.arange(n) * (10**9 // rate_per_s) + rng.normal(0, 20_000, n).astype(np.int64)
    level = 0.06 + 0.4 * (np.arange(n) // (n // 7 + 1) % 3)
    amps = np.round(level + rng.normal(0, 0.002, n), 4) + 0.0
    volts = np.round(4.0 - 0.05 * level + rng.normal(0, 0.0006, n), 3) + 0.0
    return Samples(t, volts, amps, np.ones(n, np.uint8), np.zeros(n, np.uint8))


def test_real_looking_readings_take_few_bytes() -> None:
    samples = real_looking(8192, 1000)
    assert len(codec.encode(samples)) / len(samples) <= 4.0  # 26 as they are; half of the 3.6 is the clock's jitter


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 255))
def test_a_damaged_block_is_told_not_shown(at: int, change: int) -> None:
    samples = real_looking(300, 1000)
    data = bytearray(codec.encode(samples))
    data[at % len(data)] ^= change
    try:
        back = codec.decode(bytes(data))
    except codec.CodecError:
        return
    assert same(back, samples)  # deflate can say the same in two ways; what comes out is what the checksum vouches for


@settings(max_examples=200, deadline=None)
@given(
    cut=st.integers(0, 600),
    tail=st.binary(max_size=12),
    changes=st.lists(st.tuples(st.integers(0, 600), st.integers(0, 255)), max_size=6),
)
def test_what_a_checksum_vouches_for_but_no_block_has_is_an_error_too(
    cut: int, tail: bytes, changes: list[tuple[int, int]]
) -> None:
    """A block from elsewhere may have been made to look right."""
    raw = bytearray(zlib.decompress(codec.encode(real_looking(60, 1000))[1:]))
    for at, value in changes:
        raw[at % len(raw)] = value
    if cut < len(raw):
        del raw[cut:]
    try:
        back = codec.decode(b"\x01" + zlib.compress(bytes(raw) + tail))
    except codec.CodecError:
        return
    assert len({len(column) for column in (back.t_ns, back.voltage_v, back.current_a, back.mode, back.flags)}) == 1


def test_a_block_that_unpacks_to_more_than_any_has_fills_no_memory() -> None:
    bomb = b"\x01" + zlib.compress(bytes(30_000_000))
    tracemalloc.start()
    with pytest.raises(codec.CodecError, match="does not end where it should"):
        codec.decode(bomb)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 10_000_000
    with pytest.raises(ValueError, match="65537 readings in one block: allowed are 65536"):
        codec.encode(real_looking(codec.MAX_READINGS + 1, 1000))


def test_bytes_behind_a_block_are_damage() -> None:
    with pytest.raises(codec.CodecError, match="does not end where it should"):
        codec.decode(codec.encode(real_looking(30, 1000)) + b"\x00")


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_a_block_or_an_error(data: bytes) -> None:
    for each in (data, b"\x01" + data, b"\x01" + zlib.compress(data)):
        try:
            codec.decode(each)
        except codec.CodecError:
            continue
        assert each[:1] == b"\x01"


@pytest.mark.parametrize("first", [0, -(2**63), 2**63 - 1, T0])
def test_a_single_reading_and_steps_of_any_size_come_back(first: int) -> None:
    """9.91e37 is what instruments say for "not a number", 9.9e37 for an overload (SCPI-1999, volume 1, 7.2.1)."""
    samples = _samples([first], [9.91e37], [-0.0], [255], [255])
    assert same(codec.decode(codec.encode(samples)), samples)
    times = [first, 2**63 - 1, -(2**63), 0, 1, first]
    samples = _samples(times, [1e-9, 9.91e37, -9.9e37, float("inf"), 4.0, -4.0], [0.1] * 6, [0, 255] * 3, [1] * 6)
    assert same(codec.decode(codec.encode(samples)), samples)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x01",
        b"\x01\x02\x00\x00\x00",
        bytes(95),
        b"\x01" + zlib.compress(b""),
        b"\x01" + zlib.compress(bytes([9] * 94)),
    ],
)
def test_short_and_empty_data_is_an_error(data: bytes) -> None:
    with pytest.raises(codec.CodecError):
        codec.decode(data)


def test_a_newer_version_is_named() -> None:
    data = codec.encode(real_looking(3, 50))
    with pytest.raises(codec.CodecError, match="version 9; this benchd knows version 1"):
        codec.decode(b"\x09" + data[1:])
