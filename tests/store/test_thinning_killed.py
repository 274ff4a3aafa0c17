"""A kill in the middle of thinning: each row is as it was or thinned, and the log is sound."""

from __future__ import annotations

import subprocess
import sys
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
    for _ in thinning.thin(log, thinner):
        print("one more", flush=True)
"""


@pytest.mark.parametrize("least", [1, 9, 30])
def test_a_row_is_whole_or_thinned(tmp_path: Path, least: int) -> None:
    path = tmp_path / "log.sqlite"
    with Log.open(path) as log:
        record(log, 3000)
    process = subprocess.Popen([sys.executable, "-c", THIN, str(path)], stdout=subprocess.PIPE)
    try:
        assert process.stdout is not None
        for _ in range(least):
            assert process.stdout.readline() == b"one more\n"
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
        assert whole <= 60 - least
        kept = log.samples("psu-a", 1, T0 + (60 - whole) * 50 * S, T0 + 3000 * S)
        assert len(kept) == len(between(3000, (60 - whole) * 50, 3000))  # the oldest first, none of the rest
