"""Checklists and kinds of steps: their files, the shipped ones, and one's own before them."""

from __future__ import annotations

import contextlib
import json
import tomllib
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.jobs.checklist import MOMENTS, Checklist, checklist_of, checklist_schema
from benchd.jobs.checklist_folder import applying, checklist_folder, shipped
from benchd.jobs.steps import Step, StepsFile, shipped_steps, step_file_of, steps_schema
from benchd.toml_file import FileFault, text_of
from benchd.toml_folder import TomlFolder

MINE = """\
# The shop's own.
format = 1
title = "Before power"
moment = "before-power"
for_boards = ["Demo-*"]

[[item]]
id = "plug"
label = "Plug out"
"""
HEAD = 'format = 1\ntitle = "T"\nmoment = "after-repair"\n'
ITEM = '[[item]]\nid = "a"\nlabel = "A"\n'


@pytest.fixture
def folder(tmp_path: Path) -> TomlFolder[Checklist]:
    return checklist_folder(tmp_path / "checklists")


def names(lists: list[Checklist]) -> list[str]:
    return [each.name for each in lists]


# ---- checklists --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("title = ", "x.toml: not valid TOML: Invalid value (at end of document)"),
        ('title = "T"', "x.toml: format: missing; begin the file with format = 1"),
        ("format = 2", "x.toml: format = 2: this version of benchd reads format 1"),
        ("format = true", "x.toml: format = True: this version of benchd reads format 1"),
        (
            HEAD + 'name = "y"\n' + ITEM,
            "x.toml: name = 'y': the checklist is called x, by its file; change one of the two",
        ),
        (HEAD, "x.toml: item: missing; it has to be given"),
        (HEAD + "item = []", "x.toml: item = []: allowed: at least 1 entry"),
        (HEAD + ITEM + "hint = 3", "x.toml: item[0].hint: unknown key; allowed here: id, label, why"),
        (HEAD + ITEM + ITEM, "x.toml: item[1].id = 'a': stands in this list already; each needs its own"),
        (HEAD + '[[item]]\nid = "A b"\nlabel = "A"', "x.toml: item[0].id = 'A b': allowed: text of the form"),
        (
            HEAD.replace("after-repair", "sometime") + ITEM,
            "x.toml: moment = 'sometime': allowed: 'before-power', 'before-chip' or 'after-repair'",
        ),
        ("#" * 70_000, "x.toml: longer than 65536 bytes: no file of this kind is"),
        ("a = " + "[" * 5000, "x.toml: not valid TOML: "),
    ],
)
def test_a_fault_names_file_key_and_what_is_allowed(text: str, told: str) -> None:
    with pytest.raises(FileFault) as fault:
        checklist_of(text, "x")
    assert str(fault.value).startswith(told)


def test_the_key_of_a_fault_is_told_to_a_form() -> None:
    with pytest.raises(FileFault) as fault:
        checklist_of(HEAD + ITEM + ITEM, "x")
    assert [each.key for each in fault.value.faults] == ["item[1].id"]


@given(st.text(max_size=200))
def test_whatever_a_file_holds_it_is_a_list_or_a_fault(text: str) -> None:
    for reads in (lambda: checklist_of(HEAD + ITEM + text, "x"), lambda: step_file_of(f"format = 1\n{text}", "x")):
        with contextlib.suppress(FileFault):
            assert reads() is not None


def test_the_shipped_lists_cover_each_moment_for_any_board() -> None:
    everywhere = [each.card for each in shipped().values() if not each.card.for_boards]
    assert {each.moment for each in everywhere} == set(MOMENTS)
    chip = shipped()["before-chip"].card
    assert {"owner-told", "identity-saved"} <= {item.id for item in chip.item}
    closing = shipped()["after-repair"].card
    wanted = {"antennas", "screws", "radios", "charging-current", "buttons", "screen", "owner-lock", "sleep-current"}
    assert wanted <= {item.id for item in closing.item}


def test_the_shipped_files_keep_to_the_schema() -> None:
    for found in shipped().values():
        jsonschema.validate(tomllib.loads(text_of(found.path)), checklist_schema())
    text = text_of(Path(shipped()["after-repair"].path).parents[1] / "steps.toml")
    jsonschema.validate(tomllib.loads(text), steps_schema())
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(tomllib.loads(HEAD + ITEM + "hint = 3"), json.loads(json.dumps(checklist_schema())))


def test_which_lists_a_job_has_is_told_by_its_board_and_by_its_device(folder: TomlFolder[Checklist]) -> None:
    lists = folder.read()
    common = ["before-power", "before-chip", "after-repair"]
    assert names(applying(lists, "", "")) == common
    assert names(applying(lists, "Phone main, rev 2")) == [*common, "after-repair-phone"]
    laptop = ["before-power", "before-power-laptop", "before-chip", "after-repair", "after-repair-laptop"]
    assert names(applying(lists, " ", "LAPTOP 14 inch")) == laptop
    assert names(applying(lists, "ex-p3-main", "Example P3 phone")) == [*common, "after-repair-phone"]
    assert names(applying(lists, "amplifier-main", "amplifier")) == common


def test_ones_own_list_stands_before_the_shipped_one(folder: TomlFolder[Checklist]) -> None:
    saved = folder.save("before-power", MINE)
    assert (saved.origin, saved.overrides) == ("own", True)
    assert folder.text("before-power") == MINE, "with its comments"
    lists = folder.read()
    found = lists.find("before-power")
    assert found is not None
    assert [item.id for item in found.card.item] == ["plug"]
    assert "before-power" in names(applying(lists, "demo-b"))
    assert "before-power" not in names(applying(lists, "phone"))
    folder.delete("before-power")
    assert folder.read().find("before-power") == shipped()["before-power"]
    with pytest.raises(FileFault, match="shipped with benchd and stays"):
        folder.delete("before-power")


def test_a_list_that_is_off_hides_the_shipped_one(folder: TomlFolder[Checklist]) -> None:
    folder.save("after-repair-phone", MINE.replace('title = "Before power"', 'title = "-"\noff = true'))
    assert "after-repair-phone" not in names(applying(folder.read(), "phone"))


def test_a_text_that_is_wrong_is_not_written(folder: TomlFolder[Checklist]) -> None:
    folder.save("mine", MINE)
    with pytest.raises(FileFault, match=r"mine\.toml: moment = 'now'"):
        folder.save("mine", MINE.replace('"before-power"', '"now"'))
    assert folder.text("mine") == MINE
    for name in ("../mine", "Mine", ""):
        with pytest.raises(FileFault, match="allowed are 1 to 40 of a-z"):
            folder.save(name, MINE)


def test_a_file_that_cannot_be_used_is_told_and_the_shipped_one_used(folder: TomlFolder[Checklist]) -> None:
    folder.folder.mkdir()
    (folder.folder / "after-repair.toml").write_text("format = 1\n")
    (folder.folder / "odd.toml").write_bytes(b"\xff")
    (folder.folder / "sub.toml").mkdir()
    lists = folder.read()
    assert lists.find("after-repair") == shipped()["after-repair"]
    assert lists.find("odd") is None
    told = "\n".join(lists.faults)
    assert "after-repair.toml: title: missing; it has to be given; the shipped checklist after-repair is used" in told
    assert "odd.toml: not UTF-8 text" in told
    assert "sub.toml: is not a file" in told
    assert folder.text("after-repair") == "format = 1\n", "to be mended"


# ---- kinds of steps ----------------------------------------------------------------------------------------------


def test_the_shipped_kinds_hold_up_what_lifts_a_storage_chip() -> None:
    held = {id for id, step in shipped_steps().items() if step.checks_first}
    assert held == {"storage-lifted", "storage-swapped"}
    assert {"cleaned", "reflowed", "swapped", "injected", "restored"} <= shipped_steps().keys()
    assert all(step.plain.endswith(".") for step in shipped_steps().values())


def test_ones_own_kinds_are_added_and_ordered(tmp_path: Path) -> None:
    file = StepsFile(tmp_path / "steps.toml")
    assert [each.step for each in file.read().offered] == list(shipped_steps().values())
    assert file.text() == ""
    text = (
        'format = 1\nfirst = ["baked", "restored"]\nhide = ["reballed"]  # we do not\n'
        '[[step]]\nid = "baked"\nlabel = "Baked"\n[[step]]\nid = "other"\nlabel = "Else"\n'
    )
    file.save(text)
    kinds = file.read()
    ids = [each.step.id for each in kinds.offered]
    assert ids[:3] == ["baked", "restored", "looked"]
    assert len(ids) == len(set(ids)) == len(shipped_steps())
    assert "reballed" not in ids
    assert kinds.find("other") == Step(id="other", label="Else")
    assert [each.origin for each in kinds.offered if each.step.id in ("baked", "other", "looked")] == [
        "own",
        "shipped",
        "own",
    ]
    assert file.text() == text
    file.delete()
    assert file.read().find("baked") is None


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('first = ["bakd"]', "first[0] = 'bakd': no such kind of step; there are: assembled, "),
        ('hide = ["bakd"]', "hide[0] = 'bakd': no such kind of step; there are: assembled, "),
        ('[[step]]\nid = "a"\nlabel = "A"\n' * 2, "step[1].id = 'a': stands in this file already; each needs its own"),
        ('[[step]]\nid = "a"', "step[0].label: missing; it has to be given"),
        (
            '[[step]]\nid = "a"\nlabel = "A"\nchecks_first = "x"',
            "step[0].checks_first = 'x': allowed: '' or 'before-chip'",
        ),
    ],
)
def test_a_wrong_file_of_steps_is_told_and_the_shipped_kinds_used(tmp_path: Path, text: str, told: str) -> None:
    file = StepsFile(tmp_path / "steps.toml")
    with pytest.raises(FileFault) as fault:
        file.save(f"format = 1\n{text}")
    assert str(fault.value).startswith(f"{file.path}: {told}")
    assert not file.path.exists()
    file.path.write_text(f"format = 1\n{text}")
    kinds = file.read()
    assert [each.step for each in kinds.offered] == list(shipped_steps().values())
    assert kinds.faults[0].endswith("; the shipped kinds of steps are used")
