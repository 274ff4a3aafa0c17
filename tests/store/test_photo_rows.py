"""Photos in the log: kept with a journal entry, and gone with their bytes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchd.jobs import photo
from benchd.jobs.job import Job
from benchd.jobs.photo import Photo, develop
from benchd.store import photo_rows
from benchd.store.checking import check
from benchd.store.log import Log, LogError
from benchd.store.repairing import repair
from tests.jobs.pictures import camera_file

MADE = develop(camera_file())


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with Log.open(tmp_path / "l.sqlite") as db:
        db.add_job(Job("R-1"))
        db.add_job(Job("R-2"))
        yield db


def test_it_is_listed_and_shown_and_is_in_the_journal(log: Log) -> None:
    first = photo_rows.add_photo(log, "R-1", MADE, "water under the shield", "ann", 5)
    second = photo_rows.add_photo(log, "R-1", MADE, "", "ben", 6)
    assert first == Photo(first.id, "R-1", 5, "water under the shield", 800, 600, len(MADE.jpeg), "ann")
    assert photo_rows.photos(log, "R-1") == [first, second]
    assert photo_rows.photos(log, "R-2") == []
    assert photo_rows.picture(log, "R-1", first.id) == MADE.jpeg
    assert photo_rows.thumbnail(log, "R-1", first.id) == MADE.thumbnail
    assert photo_rows.picture(log, "R-2", first.id) is None
    entry = log.journal("R-1", kinds=["photo"])[0]
    assert (entry.t_ns, entry.payload) == (5, {
        "photo": first.id, "caption": "water under the shield", "width": 800, "height": 600, "bytes": len(MADE.jpeg),
        "by": "ann",
    })  # fmt: skip


def test_a_removed_one_is_in_the_journal_and_nowhere_else(log: Log) -> None:
    one = photo_rows.add_photo(log, "R-1", MADE, "wrong board", "ann")
    log.rows("PRAGMA wal_checkpoint(TRUNCATE)")
    middle = MADE.jpeg[1000:1048]
    assert middle in log.path.read_bytes()
    assert photo_rows.remove_photo(log, "R-1", one.id, "ben") == one
    log.rows("PRAGMA wal_checkpoint(TRUNCATE)")
    assert middle not in log.path.read_bytes()
    assert photo_rows.photos(log, "R-1") == []
    assert log.journal("R-1")[-1].payload == {"photo": one.id, "by": "ben"}
    with pytest.raises(LogError, match=f"job R-1 has no photo {one.id}"):
        photo_rows.remove_photo(log, "R-1", one.id, "ben")
    assert photo_rows.add_photo(log, "R-1", MADE, "", "").id > one.id


def test_a_job_has_so_many_and_one_that_is_not_there_none(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo_rows, "MOST_PHOTOS", 1)
    photo_rows.add_photo(log, "R-1", MADE, "", "")
    with pytest.raises(LogError, match="job R-1 has 1 photos already: remove some first; allowed are 1"):
        photo_rows.add_photo(log, "R-1", MADE, "", "")
    with pytest.raises(LogError, match="job 'R-9' is not there"):
        photo_rows.add_photo(log, "R-9", MADE, "", "")
    assert photo.MOST_PHOTOS >= 20


@pytest.mark.parametrize(("spoil", "words"), [
    ("UPDATE photos SET jpeg = substr(jpeg, 1, 2000)", "number 1: .*ends within the picture|does not fit"),
    ("UPDATE photos SET width = 801", "number 1: it says 801 × 600 pixels, and holds 800 × 600"),
    ("UPDATE photos SET thumbnail = x'00'", "number 1: .*wanted ff d8"),
    ("DELETE FROM jobs WHERE id = 'R-1'", "is of job 'R-1', which is not there"),
])  # fmt: skip
def test_a_look_at_the_log_sees_spoilt_ones(log: Log, spoil: str, words: str) -> None:
    import re

    photo_rows.add_photo(log, "R-1", MADE, "", "")
    assert check(log.path).sound
    with log.transaction() as db:
        db.execute(spoil)
    told = [fault.text for fault in check(log.path).faults if fault.where == "photos"]
    assert any(re.search(words, text) for text in told), told


def test_a_repair_keeps_sound_ones_and_sets_spoilt_ones_aside(log: Log) -> None:
    """A job that is lost stands again by its photo."""
    for job in ("R-1", "R-2"):
        photo_rows.add_photo(log, job, MADE, "", "")
    with log.transaction() as db:
        db.execute("UPDATE photos SET jpeg = zeroblob(500) WHERE job = 'R-1'")
        db.execute("DELETE FROM jobs WHERE id = 'R-2'")
        db.execute("DELETE FROM journal")
    log.close()
    done = repair(log.path, datetime(2026, 3, 1, tzinfo=UTC))
    assert done.set_aside == 1
    with Log.open(log.path) as repaired:
        assert {job.id for job in repaired.jobs()} == {"R-1", "R-2"}
        assert photo_rows.picture(repaired, "R-2", 2) == MADE.jpeg
        assert photo_rows.photos(repaired, "R-1") == []
        assert photo_rows.add_photo(repaired, "R-1", MADE, "", "").id == 3
