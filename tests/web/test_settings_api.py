"""Settings files over the API: what requests may carry, and that a look writes nothing."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from benchd.web.desks import Desks
from benchd.web.files_port import BenchForm, FileChange, FileChecked, FileRow, FileView


class FakeFiles:
    """One card, and a form; writes down what it is asked."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, ...]] = []
        self.view = FileView("card", "mine", "own", "format = 1\n", "v1", True, False, False, [], ["odd"])

    async def files(self) -> list[FileRow]:
        return [FileRow("card", "mine", "Mine", "own", False, [])]

    async def file(self, kind: str, name: str) -> FileView:
        return self.view

    async def check_file(self, *asked: Any) -> FileChecked:
        self.asked.append(("check", *asked))
        return FileChecked([], [])

    async def save_file(self, *asked: Any) -> FileView:
        self.asked.append(("save", *asked))
        return self.view

    async def delete_file(self, *asked: Any) -> None:
        self.asked.append(("delete", *asked))

    async def bench_form(self) -> BenchForm:
        return BenchForm({"bench": "north"}, {}, [], [], "v1", False, False, [], [])

    async def check_form(self, *asked: Any) -> FileChecked:
        self.asked.append(("check-form", *asked))
        return FileChecked([], [])

    async def save_form(self, *asked: Any) -> FileView:
        self.asked.append(("save-form", *asked))
        return self.view

    async def changes(self, *asked: Any) -> list[FileChange]:
        self.asked.append(("changes", *asked))
        return []


@pytest.fixture
def fake() -> FakeFiles:
    return FakeFiles()


@pytest.fixture
def desks(fake: FakeFiles) -> Desks:
    return Desks(files=fake)


FILE = "/api/v1/settings/files/card/mine"
FORM = "/api/v1/settings/bench"


async def test_a_file_is_looked_at_saved_and_deleted_by_whoever_asks(http: httpx.AsyncClient, fake: FakeFiles) -> None:
    looked = await http.put(f"{FILE}?check=true", json={"text": "a = 1\r\n"})
    assert looked.json() == {"faults": [], "warnings": [], "saved": None}
    saved = (await http.put(FILE, json={"text": "a = 1", "seen": "v1"})).json()
    assert (saved["warnings"], saved["saved"]["version"]) == (["odd"], "v1")
    assert (await http.delete(f"{FILE}?seen=v1")).json()["files"][0]["name"] == "mine"
    await http.put(f"{FORM}?check=true", json={"values": {"bench": "a"}})
    await http.put(FORM, json={"values": {"bench": "a"}, "seen": "v1"})
    await http.get("/api/v1/settings/changes?limit=3&file=card&name=mine")
    assert fake.asked == [
        ("check", "card", "mine", "a = 1\r\n", "this machine"),
        ("save", "card", "mine", "a = 1", "v1", "this machine"),
        ("delete", "card", "mine", "v1", "this machine"),
        ("check-form", {"bench": "a"}, "this machine"),
        ("save-form", {"bench": "a"}, "v1", "this machine"),
        ("changes", 3, "card", "mine"),
    ]
    assert (await http.get(FORM)).json()["values"] == {"bench": "north"}


@pytest.mark.parametrize(
    ("path", "body", "words"),
    [
        (FILE, {"text": "a\0"}, "U+0000 is not allowed"),
        (FILE, {"text": "a" * 262_145}, "262144"),
        (FILE, {"text": "a", "more": 1}, "unknown key"),
        ("/api/v1/settings/files/thing/mine", {"text": "a"}, "supplies"),
        (FORM, {"values": {"a": None}}, "leave a key out"),
        (FORM, {"values": {"a": {"b": [{"c": [{"d": {"e": {"f": 1}}}]}]}}}, "tables inside tables"),
        (FORM, {"values": {"a": 2**63}}, "64 bits"),
        (f"{FORM}?chekc=true", {"values": {}}, "unknown key"),
    ],
)
async def test_what_no_file_can_hold_is_refused(
    http: httpx.AsyncClient, fake: FakeFiles, path: str, body: dict[str, Any], words: str
) -> None:
    refused = await http.put(path, json=body)
    assert refused.status_code in (400, 413)
    assert words in refused.json()["error"]["message"]
    assert fake.asked == []
