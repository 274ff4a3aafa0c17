"""A kill in the middle of thinning: each row is as it was or thinned, and the log is sound."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchd.store import codec
from benchd.store.log import Log
from tests.store.making import T0
from tests.store.test_thinning import S, between, record

THIN = """
import sys
from benchd.store import thinning
from benchd.store.log import Log
thinning.BATCH_ROWS = 1
with Log.open(sys.argv[1]) as log:
    thinner = thinning.Thinner(log, 2**62)
    print("ready", flush=True)
    for _ in thinning.thin(log, thinner):
        pass
"""


@pytest.mark.parametrize("seed", range(3))
def test_a_row_is_whole_or_thinned(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "log.sqlite"
    with Log.open(path) as log:
        record(log, 3000)
    process = subprocess.Popen([sys.executable, "-c", THIN, str(path)], stdout=subprocess.PIPE)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        deadline = time.monotonic() + random.Random(seed).uniform(0, 0.06)
        while time.monotonic() < deadline:
            pass
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
    with Log.open(path) as log:
        assert log.rows("PRAGMA integrity_check") == [("ok",)]
        rows = log.rows("SELECT seq, t0_ns, t1_ns, n, thinned_from, data FROM blocks ORDER BY seq")
        assert len(rows) == 60
        for seq, t0_ns, t1_ns, n, before, data in rows:
            samples = codec.decode(data)
            assert (len(samples), samples.t_ns.min(), samples.t_ns.max()) == (n, t0_ns, t1_ns)
            assert (before, n) == (None, 2500) or (before == 2500 and n < 100), seq
        whole = sum(before is None for *_, before, _ in rows)
        kept = log.samples("psu-a", 1, T0 + (60 - whole) * 50 * S, T0 + 3000 * S)
        assert len(kept) == len(between(3000, (60 - whole) * 50, 3000))  # the oldest first, none of the rest
