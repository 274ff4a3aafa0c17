"""Sentences that other rooms put together are still known to the German report, figures and all."""

from __future__ import annotations

import msgspec
import pytest

from benchd.daemon.stages import leak_result, probe_result
from benchd.report.texts import Texts
from benchd.traces.divergence import _sentence
from benchd.traces.evidence import quality
from benchd.traces.features import extract
from benchd.traces.trace import Conditions
from tests.daemon.making import ACCURACY, stage_over
from tests.daemon.test_stages import STAGED
from tests.traces.boards import Board, Meter, flat, read

WITH_LEADS = msgspec.structs.replace(ACCURACY, lead_ohm=0.05, lead_u_ohm=0.006)
PROBE = stage_over("probe", 0, 0.5, 0.05)
MADE = [
    probe_result(PROBE, STAGED, WITH_LEADS)["text"],
    probe_result(PROBE, None, Conditions())["text"],
    probe_result(stage_over("probe", 0, 0.02, 0.1, passed=False), STAGED, ACCURACY)["text"],
    probe_result(stage_over("probe", 0, 0.5, 0.0), STAGED, WITH_LEADS)["text"],
    probe_result(stage_over("probe", 0, 0.5, 0.0), STAGED, ACCURACY)["text"],
    probe_result(stage_over("probe", 0, 0.5, 0.0), None, Conditions())["text"],
    *(leak_result(stage_over("hold", 0, 4.0, a), STAGED, ACCURACY)["text"] for a in (0.0, 0.001, 0.05)),
    leak_result(stage_over("hold", 0, 4.0, 0.05), None, Conditions())["text"],
    leak_result(stage_over("hold", 0, 1.0, 0.2, in_limit=True), STAGED, ACCURACY)["text"],
    *(_sentence(at, (0.3, good), 0.01, n, "") for at in (2.5, -0.1) for good in (0.2, 0.4) for n in (1, 3)),
    *quality(extract(read(Board(flat(1.0, 0.06)), Meter(rate=5, tell_conditions=False))))[1],
]


@pytest.mark.parametrize("sentence", MADE)
def test_it_is_said_in_german(sentence: str) -> None:
    said = Texts("de").said(sentence)
    assert said != sentence
    assert not {" the ", " of ", " is ", " with "} & {f" {word} " for word in said.split()}
