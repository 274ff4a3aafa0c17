"""Pictures as the API gives them: on the references of the trace's board."""

from __future__ import annotations

import asyncio
from typing import get_args

import pytest

from benchd.daemon.bench import Bench
from benchd.store.filing import file_imported
from benchd.store.log import Log
from benchd.store.reference_rows import check_reference, keep_reference
from benchd.traces.picture_look import Kind
from benchd.web.port import Refused
from tests.traces.test_picture import START_NS, a_trace, with_current, words_of


async def test_a_picture_has_the_references_of_the_board_and_where_it_leaves_them(bench: Bench, log: Log) -> None:
    good = a_trace(start_ns=0)
    weak = with_current(good, good.samples.current_a * [0.3 if t > 4e9 else 1.0 for t in good.samples.t_ns])
    ids = [file_imported(log, t, None, f"file-{n}", START_NS + n).id for n, t in enumerate((good, weak))]
    alone = words_of(await bench.picture(ids[1], "svg"))
    assert "reference, mean of 1 trace" not in alone
    keep_reference(log, check_reference(log, ids[0], "b-1", ""), "test")
    told = words_of(await bench.picture(ids[1], "svg"))
    assert "reference, mean of 1 trace" in told
    assert [name for name in told if name.startswith("leaves the good one 2.")], sorted(told)
    assert "reference, mean of 1 trace" not in words_of(await bench.picture(ids[0], "svg")), "not held against itself"


async def test_pictures_asked_for_at_once_are_drawn_one_after_the_other(bench: Bench, log: Log) -> None:
    id = file_imported(log, a_trace(start_ns=0), None, "file-1", START_NS).id
    kinds: tuple[Kind, ...] = get_args(Kind) * 2
    found = await asyncio.gather(*[bench.picture(id, kind) for kind in kinds])
    assert found[0] == found[2]
    assert [b"<svg" in one for one in found] == [kind == "svg" for kind in kinds]


async def test_a_trace_that_is_not_there_is_told(bench: Bench) -> None:
    with pytest.raises(Refused, match="trace 'T9' is not in the log"):
        await bench.picture("T9", "png")
