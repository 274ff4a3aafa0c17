"""The words for an output's state: the reason, and the doubt once."""

from __future__ import annotations

import pytest

from benchd.guard.channel import Channel
from benchd.guard.ring import Ring
from benchd.guard.wire import ChannelConfig


@pytest.mark.parametrize(
    ("text", "doubt", "words"),
    [
        ("as asked", "", "as asked"),
        ("", "there is no link to the supply", "there is no link to the supply"),
        ("stale", "there is no link to the supply", "stale; not confirmed off: there is no link to the supply"),
        ("stale", "not confirmed off within 500 ms: no reply", "stale; not confirmed off within 500 ms: no reply"),
    ],
)
def test_reason_and_doubt_are_each_said_once(text: str, doubt: str, words: str) -> None:
    channel = Channel("left", ChannelConfig(1, 5.0, 1.0), Ring())
    channel.text, channel.doubt = text, doubt
    assert channel.words == words
