"""A disk without one free byte: recording goes on inside of the log's file, and thinning makes room there."""

from __future__ import annotations

import errno
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from benchd.daemon.core import Core
from benchd.daemon.housekeeping import LEAST_INSIDE, Housekeeping
from benchd.settings import LogSettings
from benchd.store.compacting import sizes
from benchd.store.log import Log
from benchd.store.writer import LogWriter
from benchd.supplies.clock import now_ns
from tests.daemon.making import ACCURACY, settings
from tests.store.making import MS, block, columns_block, until

DAYS_NS = 86_400_000_000_000


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of 100 MB in memory (tmpfs(5)), which takes the rights to mount."""
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=100m", "tmpfs", str(tmp_path)], capture_output=True, text=True
    )
    if made.returncode:
        pytest.skip(f"no file system may be mounted here: {made.stderr.strip()}")
    yield tmp_path
    subprocess.run(["umount", str(tmp_path)], check=True)


def fill(folder: Path) -> None:
    """Until nothing more goes in."""
    descriptor = os.open(folder / "filled", os.O_WRONLY | os.O_CREAT)
    try:
        while True:
            os.write(descriptor, bytes(4096))
    except OSError as e:
        if e.errno != errno.ENOSPC:
            raise
    finally:
        os.close(descriptor)


def full_of_old_readings(path: Path) -> None:
    rng = np.random.default_rng(3)
    with Log.open(path) as log, log.transaction(durable=False):
        for k in range(200):
            t_ns = now_ns() - 60 * DAYS_NS + k * 60_000 * MS + np.arange(6000) * 10 * MS
            volts, amps = rng.normal(4, 0.3, 6000), rng.normal(0.06, 0.2, 6000)
            log.add_block(columns_block(t_ns, np.round(volts, 4), np.round(amps, 5), "psu-a", 1))


async def test_it_records_and_thins_without_one_free_byte(small: Path) -> None:
    path = small / "benchd.sqlite"
    full_of_old_readings(path)
    writer = LogWriter(path, commit_every_s=0.01)
    core = Core(settings(data_dir=str(small)), {("psu-a", n): ACCURACY for n in (1, 2)}, writer, None)
    core.settings = core.settings.model_copy(update={"log": LogSettings(thin_when_full=True)})
    house = Housekeeping(core)
    await house.look()  # takes the room while there is some
    fill(small)
    with Log.open(path) as log:
        assert sizes(log).free_inside > LEAST_INSIDE
        with log.transaction(durable=False) as db:
            db.execute("CREATE TABLE other (x BLOB)")
        while sizes(log).free_inside > LEAST_INSIDE / 2:  # as hours of readings would
            with log.transaction(durable=False) as db:
                db.execute("INSERT INTO other VALUES (zeroblob(500000))")
    start_ns = now_ns()
    for k in range(20):
        writer.put_block(block(100, start_ns + k * 100 * MS))
        await house.look()
    until(lambda: writer.health()["waiting"] == 0)
    assert os.statvfs(small).f_bavail == 0
    writer.close()
    with Log.open(path, read_only=True) as log:
        assert log.rows("PRAGMA integrity_check") == [("ok",)]
        assert len(log.samples("psu-a", 1, start_ns, start_ns + DAYS_NS)) == 2000
        assert sizes(log).free_inside > LEAST_INSIDE
        (entry,) = log.journal(kinds=["thinned"])
        assert entry.payload["readings_before"] == 200 * 6000
    assert writer.health()["dropped"] == 0
    assert [a.split(":")[0] for a in core.alarms.shown()] == [
        "the disk is full, so the log's oldest readings were thinned"
    ]
