"""Forgetting a job over the API: what has to be said to do it, and what comes back."""

from __future__ import annotations

import httpx

from benchd.jobs.job import Job
from tests.web.fake import FakeBench

V1 = "/api/v1"


async def test_a_job_is_forgotten_when_its_id_is_said_twice(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.job_list.append(Job("R-7"))
    wrong = await http.post(f"{V1}/jobs/R-7/forget", json={"confirm": "R-8"})
    assert wrong.status_code == 400
    assert wrong.json()["error"] == {
        "code": "bad-value", "message": "confirm = 'R-8': give the job's id, R-7, once more", "where": "confirm",
    }  # fmt: skip
    assert (await http.post(f"{V1}/jobs/R-7/forget")).status_code == 400
    assert any(job.id == "R-7" for job in bench.job_list)
    done = await http.post(f"{V1}/jobs/R-7/forget", json={"confirm": "R-7"})
    assert done.status_code == 200
    assert done.json() == {"job": "forgotten-1", "notes": 2, "traces": 1, "rows": 3, "left": "", "photos": 0}
    again = await http.post(f"{V1}/jobs/R-7/forget", json={"confirm": "R-7"})
    assert (again.status_code, again.json()["error"]["code"]) == (404, "not-found")
