"""Values change, and nothing else does: comments, order and layout stay, whatever is changed."""

from __future__ import annotations

import copy
import re
import tomllib
from collections import Counter
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.cli.config import example_text
from benchd.toml_edit import EditError, Lines, with_values

SECOND = {"number": 2, "max_voltage_v": 5.0, "max_limit_a": 1.0, "plan": "usb-5v"}


def changed(text: str, **tables: Any) -> str:
    wanted = copy.deepcopy(tomllib.loads(text))
    for table, values in tables.items():
        wanted[table] = wanted.get(table, {}) | values if isinstance(values, dict) else values
    return with_values(text, wanted)


def added(before: str, after: str) -> list[str]:
    left = Counter(before.splitlines())
    return [line for line in after.splitlines() if not left[line] or left.subtract([line])]


def comments(text: str) -> Counter[str]:
    return Counter(re.findall(r"#\s*(.*)", text))


def test_a_new_value_stands_where_a_note_shows_its_key() -> None:
    text = example_text()
    after = changed(text, guard={"quiet_hours": "22:00-06:30", "rearm_pause_s": 3.0}, bench="north")
    lines = after.splitlines()
    assert added(text, after) == ['bench = "north"', "rearm_pause_s = 3.0", 'quiet_hours = "22:00-06:30"']
    assert lines[lines.index("rearm_pause_s = 3.0") - 1].startswith("# rearm_pause_s = 2.0")
    assert lines[lines.index('quiet_hours = "22:00-06:30"') - 1].lstrip() == "# but for plans that say soak = true"
    again = changed(after, guard={"rearm_pause_s": 4.5})
    assert added(after, again) == ["rearm_pause_s = 4.5"]


def test_supplies_and_outputs_come_and_go_and_no_comment_with_them() -> None:
    text = example_text()
    said = tomllib.loads(text)
    said["supply"][0]["channel"].append(SECOND)
    said["supply"].append({"name": "right", "resource": "ASRL/dev/ttyUSB0::INSTR", "profile": "generic-scpi",
                           "channel": [SECOND | {"number": 1}]})  # fmt: skip
    said["influxdb"] = {"url": "http://127.0.0.1:8086", "token": "s3cret"}
    after = with_values(text, said)
    assert tomllib.loads(after) == said
    assert not comments(text) - comments(after)
    del said["supply"][0], said["influxdb"]
    said["supply"][0]["name"] = "left"  # one that goes, and another that takes its name
    least = with_values(after, said)
    assert tomllib.loads(least) == said
    assert not comments(text) - comments(least)
    assert "s3cret" not in least


def test_a_line_with_a_comment_becomes_one_but_not_a_secret() -> None:
    text = '[mqtt]\nhost = "broker"\nport = 8883  # ours\nuser = "a"\npassword = "s3cret"  # ask the owner\n'
    said = {"mqtt": {"host": "broker"}}
    assert with_values(text, said) == '[mqtt]\nhost = "broker"\n# port = 8883  # ours\n# ask the owner\n'


def test_line_ends_inline_tables_and_dotted_keys_stay_as_they_are() -> None:
    assert changed("a = 1\r\n[guard]\r\nx = 1 # c\r\n", guard={"y": 2}) == "a = 1\r\n[guard]\r\nx = 1 # c\r\ny = 2\r\n"
    assert changed("web = { port = 1 } # p\n", web={"port": 2}) == "web = { port = 2 } # p\n"
    assert tomllib.loads(changed("web.port = 1\n", web={"port": 1, "host": "x"})) == {"web": {"port": 1, "host": "x"}}
    assert changed('t = """\n[web]\n"""\n[web]', web={"port": 2}) == 't = """\n[web]\n"""\n[web]\nport = 2\n'


@pytest.mark.parametrize(
    ("text", "wanted", "match"),
    [
        ('supply = [{name = "a"}]\n', {"supply": [{"name": "a"}, {"name": "b"}]}, "as text"),
        ('[[s]]\nname = "a"\n[[s]]\nname = "b"\n', {"s": [{"name": "b"}, {"name": "a"}]}, "order"),
        ("a = {x = 1, y = 2}\n", {"a": {"x": 1}}, "other keys in one line"),
        ("a = [ # why\n 1,\n]\n", {"a": [2]}, "comment inside"),
        ("a = \n", {"a": 1}, "as text"),
    ],
)
def test_what_would_lose_something_is_refused(text: str, wanted: dict[str, Any], match: str) -> None:
    with pytest.raises(EditError, match=match):
        with_values(text, wanted)


def test_the_line_of_a_key_or_of_the_table_that_should_have_it() -> None:
    text = 'bench = "a"\n[guard]\n# x\nrearm_pause_s = 1.0\n[[supply]]\nname = "a"\n[[supply.channel]]\nnumber = 1\n'
    lines = Lines(text)
    assert lines.line_of(("guard", "rearm_pause_s")) == 4
    assert lines.line_of(("supply", 0, "channel", 0, "plan")) == 7
    assert lines.line_of(("supply", 0, "resource")) == 5
    assert lines.line_of(("no", "such")) is None
    inline = Lines('a = 1\nsupply = [\n  {name = "a"},\n  {name = "b", channel.plan = "c"},\n]\n')
    assert inline.line_of(("supply", 1, "channel", "plan")) == 2
    assert Lines("a = \n").line_of(("a",)) is None


SCALARS = st.one_of(st.booleans(), st.integers(-(2**40), 2**40), st.floats(-1e9, 1e9), st.text(max_size=12))
KEYS = st.sampled_from(["rearm_pause_s", "quiet_hours", "thin_when_full", "of mine", 'say "so"'])
TABLES = st.dictionaries(st.sampled_from(["guard", "log", "mqtt", "capture"]), st.dictionaries(KEYS, SCALARS))


@given(TABLES, TABLES)
def test_whatever_is_said_comes_out_and_no_comment_is_lost(first: dict[str, Any], second: dict[str, Any]) -> None:
    text = example_text()
    for tables in (first, second):
        said = {k: v for k, v in tomllib.loads(example_text()).items() if k not in tables} | tables
        after = with_values(text, said)
        assert tomllib.loads(after) == said
        assert not comments(example_text()) - comments(after)
        text = after
