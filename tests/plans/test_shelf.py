"""The shelf: own files before the settings before the shipped; a file that cannot be used is named and passed over."""

from __future__ import annotations

import contextlib
import os
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd import whole_file
from benchd.plans.plan import Plan
from benchd.plans.shelf import PlanError, Shelf, read_plan, shipped, values_of
from benchd.plans.written import plan_text

MINE: dict[str, Any] = {"voltage_v": 3.9, "limit_a": 1.5}
IN_SETTINGS = Plan(name="usb-5v", voltage_v=5.0, limit_a=0.4)


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "plans", [IN_SETTINGS, Plan(name="press", voltage_v=24.0, limit_a=2.0)])


def test_what_stands_before_what(shelf: Shelf) -> None:
    found = {each.plan.name: (each.origin, each.overrides) for each in shelf.all()}
    assert found["press"] == ("settings", "")
    assert found["usb-5v"] == ("settings", "shipped")
    assert found["phone-cell"] == ("shipped", "")
    saved = shelf.save("usb-5v", {"voltage_v": 5.1, "limit_a": 0.3})
    assert (saved.origin, saved.overrides, saved.plan.voltage_v) == ("own", "settings", 5.1)
    shelf.delete("usb-5v")
    left = shelf.find("usb-5v")
    assert left is not None
    assert left.plan == IN_SETTINGS
    assert list(found) == sorted({*shipped(), "press"})
    assert shelf.find("no-such") is None
    assert shelf.find("../phone-cell") is None


def test_a_plan_that_was_saved_is_there_for_the_next_shelf(shelf: Shelf) -> None:
    values = {**values_of(shipped()["phone-cell"].plan), "name": "mine", "limit_a": 1.0}
    saved = shelf.save("mine", values)
    again = Shelf(shelf.own_dir).find("mine")
    assert again == saved
    assert values_of(saved.plan) == values
    assert saved.path is not None
    text = saved.path.read_text("utf-8")
    assert text.startswith("format = 1\n")
    assert tomllib.loads(text) == {"format": 1, **values}


def test_none_leaves_a_key_out(shelf: Shelf) -> None:
    shelf.save("mine", {**MINE, "over_voltage_v": 4.2, "probe": {"least_ohm": 1.0}, "expected_leak_a": 0.01})
    now = shelf.save("mine", {**MINE, "over_voltage_v": None, "probe": None, "budget": {"fault_j": None}}).plan
    assert (now.over_voltage_v, now.probe, now.expected_leak_a) == (None, None, None)


def test_comments_of_the_person_stay(shelf: Shelf) -> None:
    shelf.own_dir.mkdir()
    file = shelf.own_dir / "mine.toml"
    file.write_text(
        "# the window bench\nformat = 1\nvoltage_v = 3.9 # a tired cell\nlimit_a = 1.5\n\n"
        "[probe]\n# measured\nleast_ohm = 1.0\n\n[hold]\nlimit_a = 0.1\n"
    )
    shelf.save("mine", {**MINE, "voltage_v": 4.0, "title": "x", "probe": {"least_ohm": 2.0}})
    text = file.read_text()
    for words in ("# the window bench", "voltage_v = 4.0 # a tired cell", "# measured", "least_ohm = 2.0"):
        assert words in text
    assert "hold" not in text
    assert read_plan(file).title == "x"


@pytest.mark.parametrize(
    ("values", "key", "said"),
    [
        ({**MINE, "voltage_mv": 3900}, "voltage_mv", "voltage_mv: unknown key; allowed here: name, title, voltage_v"),
        ({"limit_a": 1.5}, "voltage_v", "voltage_v: missing; it has to be given"),
        ({**MINE, "limit_a": "2"}, "limit_a", "limit_a = '2': allowed: a number (unit: A)"),
        ({**MINE, "limit_a": float("nan")}, "limit_a", "limit_a = nan: allowed: a finite number (unit: A)"),
        ({**MINE, "hold": {"seconds": 0}}, "hold.seconds", "hold.seconds = 0: allowed: 0.1 or more (unit: s)"),
        ({**MINE, "hold": {"limit_a": 2}}, "hold.limit_a", "hold.limit_a = 2.0 A must not be above limit_a = 1.5 A"),
        ({**MINE, "probe": {"least_ohm": 0}}, "probe.least_ohm", "allowed: above 0.0 (unit: Ω)"),
        ({**MINE, "budget": {"x_j": 1}}, "budget.x_j", "unknown key; allowed here: energy_j, square_a2s, fault_j"),
        ({**MINE, "title": "x" * 121}, "title", "allowed: at most 120 characters"),
        ({**MINE, "format": 2}, "format", "format = 2: this version of benchd reads format 1"),
        ({**MINE, "title": "half a pair \ud800"}, "title", "title = "),
        ({**MINE, "format": True}, "format", "format = True"),
        ({**MINE, "name": "other"}, "name", "name = 'other': the plan is called mine, by its file"),
    ],
)
def test_what_cannot_be_saved_names_file_and_key(shelf: Shelf, values: dict[str, Any], key: str, said: str) -> None:
    shelf.save("mine", MINE)
    with pytest.raises(PlanError) as caught:
        shelf.save("mine", values)
    assert str(caught.value).startswith(f"{shelf.own_dir / 'mine.toml'}: ")
    assert said in str(caught.value)
    assert key in {fault.key for fault in caught.value.faults}
    left = shelf.find("mine")
    assert left is not None
    assert left.plan.voltage_v == 3.9
    assert os.listdir(shelf.own_dir) == ["mine.toml"]


@pytest.mark.parametrize("name", ["", "Phone", "../x", "a/b", "-a", "a" * 33, "x\0"])
def test_a_name_that_is_no_name_writes_nothing(shelf: Shelf, name: str) -> None:
    for act in (lambda: shelf.save(name, MINE), lambda: shelf.delete(name), lambda: shelf.copy("usb-5v", name or "A")):
        with pytest.raises(PlanError, match="allowed are 1 to 32 of a-z"):
            act()
    assert not shelf.own_dir.exists()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"format = 1\nvoltage_v = 70\nlimit_a = 1\n", "voltage_v = 70: allowed: 60.0 or less (unit: V)"),
        (b"voltage_v = 4\nlimit_a = 1\n", "format: missing; begin the file with format = 1"),
        (b"format = \n", "not valid TOML"),
        (b"\xff", "not UTF-8 text"),
        (b"x = " + b"[" * 5000, "not valid TOML"),
        (b"#" * 70_000, "longer than 65536 bytes"),
        (b'format = 1\nname = "phone-cell"\nvoltage_v = 4\nlimit_a = 1\n', "the plan is called usb-5v, by its file"),
    ],
)
def test_a_file_that_cannot_be_used_is_named_and_the_next_in_line_is_used(
    shelf: Shelf, content: bytes, said: str
) -> None:
    shelf.own_dir.mkdir()
    file = shelf.own_dir / "usb-5v.toml"
    file.write_bytes(content)
    (fault,) = shelf.faults()
    assert fault.startswith(f"{file}: ")
    assert said in fault
    assert fault.endswith("; the settings plan usb-5v is used")
    found = shelf.find("usb-5v")
    assert found is not None
    assert (found.origin, found.overrides) == ("settings", "shipped")
    assert [each for each in shelf.all() if each.plan.name == "usb-5v"] == [found]
    shelf.delete("usb-5v")  # one that cannot be used can be deleted
    assert shelf.faults() == []


def test_what_is_no_file_is_named_too(shelf: Shelf) -> None:
    shelf.own_dir.mkdir()
    (shelf.own_dir / "folder.toml").mkdir()
    os.mkfifo(shelf.own_dir / "pipe.toml")
    (shelf.own_dir / "My Board.toml").write_text("format = 1\nvoltage_v = 4\nlimit_a = 1\n")
    (shelf.own_dir / ".half.toml").write_text("nothing to see")
    (shelf.own_dir / "notes.txt").write_text("nothing to see")
    told = shelf.faults()
    assert ["My Board" in told[0], "folder" in told[1], "pipe" in told[2], len(told)] == [True, True, True, 3]
    assert all(each.endswith("; it is not used") for each in told)


def test_a_folder_that_is_none_is_named(tmp_path: Path) -> None:
    (tmp_path / "plans").write_text("a file")
    shelf = Shelf(tmp_path / "plans")
    assert "cannot be read" in shelf.faults()[0]
    assert [found.plan.name for found in shelf.all()] == list(shipped())
    with pytest.raises(PlanError, match="cannot be written, so it is as it was"):
        shelf.save("mine", MINE)


def test_a_change_by_hand_is_seen(shelf: Shelf) -> None:
    path = shelf.save("mine", MINE).path
    assert path is not None
    path.write_text(path.read_text().replace("3.9", "3.85"))
    found = shelf.find("mine")
    assert found is not None
    assert found.plan.voltage_v == 3.85
    path.unlink()
    assert shelf.find("mine") is None


def test_only_ones_own_can_be_deleted(shelf: Shelf) -> None:
    for name, said in (
        ("phone-cell", "it is shipped with benchd and stays"),
        ("press", "it stands in benchd.toml"),
        ("nothing", "none of your own"),
    ):
        with pytest.raises(PlanError, match=said):
            shelf.delete(name)


def test_a_full_disk_leaves_the_old_file(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    shelf.save("mine", MINE)

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(whole_file.os, "fsync", full)
    with pytest.raises(PlanError, match="No space left on device"):
        shelf.save("mine", {**MINE, "voltage_v": 4.1})
    left = shelf.find("mine")
    assert left is not None
    assert left.plan.voltage_v == 3.9
    assert os.listdir(shelf.own_dir) == ["mine.toml"]


def test_a_copy_keeps_the_words_of_the_original(shelf: Shelf) -> None:
    copied = shelf.copy("phone-cell", "mine")
    original = shipped()["phone-cell"]
    assert copied.plan == original.plan.model_copy(update={"name": "mine"})
    assert copied.path is not None
    assert original.path is not None
    expected = original.path.read_text("utf-8").replace('name = "phone-cell"', 'name = "mine"')
    assert copied.path.read_text("utf-8") == expected
    with pytest.raises(PlanError, match="it is there already"):
        shelf.copy("phone-cell", "mine")
    with pytest.raises(PlanError, match="there are: adapter-12v"):
        shelf.copy("nothing")
    assert shelf.copy("press").overrides == "settings"
    assert shelf.copy("phone-cell").overrides == "shipped"


numbers = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**40), 2**40)
values = st.recursive(
    numbers
    | st.booleans()
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
    | st.text("\n\r\"'\\ \t\0x", max_size=8),
    lambda inner: st.lists(numbers, max_size=3) | st.dictionaries(st.sampled_from("abcd"), inner, max_size=3),
    max_leaves=6,
)
tables = st.dictionaries(st.sampled_from("abcdef"), values, max_size=5)


@given(tables, tables)
def test_what_is_written_says_the_values_whatever_stood_there(before: dict[str, Any], after: dict[str, Any]) -> None:
    text = plan_text(before)
    assert tomllib.loads(text) == before
    for old in (text, f"# mine\n{text}", "no = [ toml", "\r\n"):
        assert tomllib.loads(plan_text(after, old)) == after


KEYS = st.sampled_from([*Plan.model_fields, "format", "nothing"])


@given(st.dictionaries(KEYS, values, max_size=4))
def test_no_value_gives_another_error(tmp_path_factory: pytest.TempPathFactory, more: dict[str, Any]) -> None:
    folder = tmp_path_factory.mktemp("any")
    shelf = Shelf(folder)
    with contextlib.suppress(PlanError):
        assert shelf.save("mine", {**MINE, **more}).plan.voltage_v <= 60
    shutil.rmtree(folder)


def test_the_text_of_a_file_is_read_and_written_as_a_whole(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, [Plan.model_validate({"name": "press", "voltage_v": 4.0, "limit_a": 1.0})])
    text = "# mine\r\nformat = 1\r\nvoltage_v = 3.8  # by hand\r\nlimit_a = 1.0\r\n"
    assert shelf.save_text("mine", text).plan.voltage_v == 3.8
    assert shelf.text("mine") == text
    with pytest.raises(PlanError, match="voltage_v = 61"):
        shelf.save_text("mine", text.replace("3.8", "61"))
    assert shelf.text("mine") == text
    assert shelf.text("phone-cell").startswith("#")
    assert tomllib.loads(shelf.text("press")) == {"format": 1, "voltage_v": 4.0, "limit_a": 1.0}
    (tmp_path / "mine.toml").write_text("voltage_v = ", "utf-8")
    assert shelf.text("mine") == "voltage_v = "
    with pytest.raises(PlanError, match="nothing"):
        shelf.text("nothing")
