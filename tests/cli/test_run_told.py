"""What `benchd run` says of the ways to its page."""

from __future__ import annotations

import pytest

from benchd.cli.run import _for_others
from benchd.settings_web import Token, Web
from benchd.web import addresses

TOKEN = Token(name="anna", role="operator", hash="sha256:" + "0" * 64)


def test_a_page_for_this_machine_has_no_other_address() -> None:
    assert _for_others(Web(), "http://127.0.0.1:8425/") == []


def test_a_page_for_everybody_is_told_by_what_others_can_reach(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(addresses, "_outward", lambda host: ["192.0.2.7"])
    web = Web(host="0.0.0.0", names=["bench.example"], token=[TOKEN])
    assert _for_others(web, "http://127.0.0.1:8425/") == ["http://bench.example:8425/", "http://192.0.2.7:8425/"]
    assert _for_others(web, "https://127.0.0.1/") == ["https://bench.example/", "https://192.0.2.7/"]


def test_the_address_that_was_told_is_not_told_twice() -> None:
    web = Web(host="192.0.2.5", token=[TOKEN])
    assert _for_others(web, "http://192.0.2.5:8425/") == []
