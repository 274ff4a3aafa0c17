"""Files to take away by the API."""

from __future__ import annotations

from pathlib import Path

import httpx
import numpy as np

from benchd.jobs.job import Job
from benchd.traces.parquet import read_parquet
from tests.web.fake import START_NS, FakeBench, make_samples
from tests.web.test_api import V1, fault


async def test_a_trace_as_parquet_reads_back_as_the_same(
    http: httpx.AsyncClient, bench: FakeBench, tmp_path: Path
) -> None:
    samples = make_samples(START_NS, 3, 50)
    bench.file("T1", "R-1", samples)
    answer = await http.get(f"{V1}/traces/T1/parquet")
    assert answer.headers["content-disposition"] == 'attachment; filename="T1.parquet"'
    assert answer.headers["content-type"] == "application/vnd.apache.parquet"
    assert int(answer.headers["content-length"]) == len(answer.content)
    (tmp_path / "a.parquet").write_bytes(answer.content)
    np.testing.assert_array_equal(read_parquet(tmp_path / "a.parquet").trace.samples.t_ns, samples.t_ns)


async def test_a_trace_as_lines(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.file("T1", "R-1", make_samples(START_NS, 3, 50))
    answer = await http.get(f"{V1}/traces/T1/lines")
    assert answer.headers["content-disposition"] == 'attachment; filename="T1.lp"'
    assert answer.text.startswith("supply_reading,bench=north,")
    assert answer.text.count("\n") == 150


async def test_a_job_as_an_archive(http: httpx.AsyncClient, bench: FakeBench) -> None:
    await bench.create_job(Job("R-7"))
    answer = await http.get(f"{V1}/jobs/R-7/archive", params={"without_person": "true"})
    assert answer.headers["content-type"] == "application/zip"
    assert answer.headers["content-disposition"] == 'attachment; filename="R-7.zip"'
    assert answer.text == "R-7 False True"
    missing = await http.get(f"{V1}/jobs/R-8/archive")
    assert (missing.status_code, missing.json()) == (
        404, fault("not-found", "job 'R-8' is not in the log", "/api/v1/jobs/R-8/archive"),
    )  # fmt: skip
    assert (await http.get(f"{V1}/jobs/R-7/archive", params={"all": "1"})).json()["error"]["code"] == "unknown-key"
