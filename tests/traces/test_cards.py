"""Signature cards: how they are checked, found, put in order and scored; and the shipped ones."""

from __future__ import annotations

import contextlib
import dataclasses
import math
import tomllib
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from benchd.toml_file import MOST_BYTES
from benchd.traces.card import Card, Condition, Look
from benchd.traces.card_score import fit, holds, nearness, own_score, scores
from benchd.traces.card_words import FIELD, filled, said
from benchd.traces.cards import (
    CardError,
    CardFolder,
    Shelf,
    check_together,
    read_card,
    shipped,
    shipped_shelf,
)
from benchd.traces.cautions import CAUTIONS
from benchd.traces.features import extract
from benchd.traces.quantities import QUANTITIES
from benchd.traces.quantity_values import Values, of
from benchd.traces.signatures import read_trace
from tests.traces import boards
from tests.traces.boards import Board, Meter, flat, read

THIRTEEN = {
    "no-draw", "dead-short", "early-leak", "brief-kick", "low-stall", "mid-stall", "boot-loop", "late-short",
    "over-draw", "limit-sag", "loose-contact", "clean-boot", "unclear",
}  # fmt: skip
OF_USB = {"usb-nothing", "usb-unconfigured", "usb-enumerated", "usb-charging"}
OWN = """\
format = 1
id = "my-stall"
version = 3
side = "battery"
title = "Our controller's stall"
sees = "Flat at 0.3 A."
would = "It would be flat at 0.3 A."
source = "Our own boards."
look = [
  { quantity = "tail_a", unit = "A", no_at = 0.25, full_at = 0.28 },
  { quantity = "tail_a", unit = "A", no_at = 0.4, full_at = 0.35 },
  { quantity = "tail_s", unit = "s", no_at = 1, full_at = 3 },
]
yields_to = [{ to = ["dead-short"], takes = 0.9 }]
check = [{ text = "Measure the 3.3 V rail." }]
cautions = ["battery", "Mind the coil: it is hot."]

[[evidence]]
text = "It stays at {tail_a ±} for {tail_s}."
quantity = "tail_a"

[[alternative]]
signature = "mid-stall"
tell_apart = "Look at the label of the board."
share = 0.2
"""
STALL = Board(np.concatenate([flat(3, 0.001), flat(12, 0.3)]), button_s=3.0)


class Given(Values):
    """Quantities as a test gives them."""

    def __init__(self, **values: float | None) -> None:
        self._given = values

    def __getitem__(self, name: str) -> float | None:
        return self._given.get(name)


def look(no_at: float, full_at: float, **more: Any) -> Look:
    return Look(quantity="tail_a", unit="A", no_at=no_at, full_at=full_at, **more)


def written(folder: Path, text: str = OWN, name: str = "my-stall") -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / f"{name}.toml"
    path.write_text(text, "utf-8")
    return path


def refused(folder: Path, old: str, new: str) -> str:
    assert old in OWN
    with pytest.raises(CardError) as caught:
        read_card(written(folder, OWN.replace(old, new, 1)))
    text = str(caught.value)
    assert text.startswith(f"{folder / 'my-stall.toml'}: ")
    return text


# ---- what a file may say --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('quantity = "tail_a", unit = "A", no_at = 0.25', 'quantity = "tial_a", unit = "A", no_at = 0.25',
         "look[0].quantity = 'tial_a': there is no such quantity; did you mean tail_a"),
        ('unit = "A", no_at = 0.25', 'unit = "mA", no_at = 0.25',
         "look[0]: unit = 'mA': tail_a is in 'A'; write its limits in that unit too"),
        ("no_at = 0.25", "no_at = nan", "look[0].no_at = nan: allowed: a finite number"),
        ("no_at = 0.25", 'no_at = "0.25"', "look[0].no_at = '0.25': allowed: a number"),
        ("full_at = 0.28", "full = 0.28", "look[0].full: unknown key; allowed here: quantity, unit, no_at, full_at"),
        ("takes = 0.9", "takes = 1.5", "yields_to[0].takes = 1.5: allowed: 1.0 or less"),
        ('to = ["dead-short"]', 'to = ["my-stall"]', "a card is not its own alternative, and gives way to others only"),
        ("{tail_s}", "{tail_z}", "evidence[0].text = 'It stays at {tail_a ±} for {tail_z}.': there is no such"),
        ("for {tail_s}", "for {tail_s", "'{' stands alone"),
        ('"battery", "Mind', '"batery", "Mind', "'batery' is neither a sentence nor one of: battery, "),
        ("format = 1", "format = 2", "format = 2: this version of benchd reads format 1"),
        ("format = 1\n", "", "format: missing; begin the file with format = 1"),
        ('id = "my-stall"', 'id = "other"', "id = 'other': the card is called my-stall, by its file"),
        ("version = 3", "version = 0", "version = 0: allowed: 1 or more"),
        ('side = "battery"', 'side = "left"', "side = 'left': allowed: 'battery', 'usb' or 'any'"),
        ("version = 3", "version = ", "not valid TOML"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_file_and_place(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert told in refused(tmp_path, old, new)


def test_a_card_without_anything_to_look_at_is_refused(tmp_path: Path) -> None:
    begin, end = OWN.index("look = ["), OWN.index("yields_to")
    assert "would always fit" in refused(tmp_path, OWN[begin:end], "")


def test_files_that_are_none(tmp_path: Path) -> None:
    folder = tmp_path / "here.toml"
    folder.mkdir()
    long = tmp_path / "long.toml"
    long.write_bytes(b"#" * (MOST_BYTES + 1))
    latin = tmp_path / "latin.toml"
    latin.write_bytes("title = 'µ'".encode("latin-1"))
    for path, told in ((folder, "is not a file"), (long, f"longer than {MOST_BYTES} bytes"), (latin, "not UTF-8 text"),
                       (tmp_path / "none.toml", "cannot be read")):  # fmt: skip
        with pytest.raises(CardError, match=told):
            read_card(path)


@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(max_size=8), lambda x: st.lists(x, max_size=3)))
def test_any_value_in_any_place_is_a_card_or_a_fault(value: Any) -> None:
    whole = tomllib.loads(OWN)
    for key in whole:
        with contextlib.suppress(ValidationError):
            assert Card.model_validate({**whole, key: value}).id


# ---- which card is used ---------------------------------------------------------------------------------------------


def test_a_card_of_ones_own_is_added_and_named_in_the_finding(tmp_path: Path) -> None:
    written(tmp_path)
    shelf = Shelf(tmp_path)
    assert shelf.faults() == []
    finding = read_trace(read(STALL, Meter()), shelf)
    assert (finding.signature, finding.cards) == ("unclear", "unclear@1")  # it and mid-stall fit alike
    assert {a.signature for a in finding.alternatives} == {"my-stall", "mid-stall"}
    written(tmp_path, OWN.replace("yields_to", 'before = ["mid-stall"]\nyields_to'))
    finding = read_trace(read(STALL, Meter()), Shelf(tmp_path))
    assert (finding.signature, finding.cards) == ("my-stall", "my-stall@3")
    assert finding.evidence[0].text.startswith("It stays at 299.94 mA ± 0.58 mA (k = 2, ")
    assert (finding.evidence[0].quantity, finding.evidence[0].unit) == ("level", "A")
    assert finding.next_checks == ("Measure the 3.3 V rail.",)
    assert finding.cautions == (CAUTIONS["battery"], "Mind the coil: it is hot.")
    assert [(a.signature, a.tell_apart) for a in finding.alternatives] == [
        ("mid-stall", "Look at the label of the board.")
    ]


def test_a_card_of_ones_own_stands_before_the_shipped_one(tmp_path: Path) -> None:
    text = shipped()["mid-stall"].path.read_text("utf-8").replace("version = 1", "version = 7", 1)
    written(tmp_path, text, "mid-stall")
    found = Shelf(tmp_path).find("mid-stall")
    assert found is not None
    assert (found.origin, found.overrides, found.card.version) == ("own", True, 7)
    assert read_trace(read(STALL, Meter()), Shelf(tmp_path)).cards == "mid-stall@7"


def test_a_card_that_cannot_be_used_is_told_and_the_shipped_one_used(tmp_path: Path) -> None:
    written(tmp_path, "format = 1\n", "mid-stall")
    written(tmp_path, OWN.replace('to = ["dead-short"]', 'to = ["dead-shirt"]'))
    shelf = Shelf(tmp_path)
    told = shelf.faults()
    assert any("mid-stall.toml: version: missing" in t and "the shipped card mid-stall is used" in t for t in told)
    assert any("yields_to[0].to = 'dead-shirt': no such card; there are: boot-loop, " in t for t in told)
    assert shelf.find("my-stall") is None
    assert shelf.find("mid-stall") == shipped()["mid-stall"]
    assert read_trace(read(STALL, Meter()), shelf) == read_trace(read(STALL, Meter()))


def test_a_circle_of_cards_is_refused_and_named(tmp_path: Path) -> None:
    one = written(tmp_path, OWN.replace('to = ["dead-short"]', 'to = ["other-stall"]'))
    other = written(tmp_path, OWN.replace('to = ["dead-short"]', 'to = ["my-stall"]').replace(
        'id = "my-stall"', 'id = "other-stall"'), "other-stall")  # fmt: skip
    faults = Shelf(tmp_path).faults()
    assert len(faults) == 2
    assert all("yields_to: " in f and "a circle has no beginning" in f and "it is not used" in f for f in faults)
    assert {path for path, _ in check_together([(one, read_card(one)), (other, read_card(other))])} == {one, other}


def test_a_folder_that_is_none(tmp_path: Path) -> None:
    assert Shelf(tmp_path / "none").faults() == []
    (tmp_path / "file").write_text("")
    assert "cannot be read" in Shelf(tmp_path / "file").faults()[0]


# ---- the score ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "value", "left"),
    [
        (look(0.1, 0.3), 0.2, 0.5),
        (look(0.3, 0.1), 0.15, 0.75),
        (look(0.1, 0.3, least=0.5), 0.0, 0.5),
        (look(0.1, 0.3, least=0.2, most=0.6), 0.2, 0.4),
        (look(0.1, 0.1), 0.1, 1.0),
        (look(0.1, 0.3, least=0.4), None, 0.4),
        (look(0.1, 0.3, unknown=1.0), None, 1.0),
    ],
)
def test_a_look(given: Look, value: float | None, left: float) -> None:
    assert fit(given, Given(tail_a=value)) == pytest.approx(left)


def test_looks_are_multiplied_the_best_way_counts_and_others_take_their_share(tmp_path: Path) -> None:
    card = read_card(written(tmp_path))
    values = Given(tail_a=0.265, tail_s=2.0, short_share=100, short_stays=1, short_at_once=1, tripped_by_short=1)
    assert own_score(card, values) == pytest.approx(0.5 * 0.5)
    dead = shipped()["dead-short"].card
    assert own_score(dead, values) == 1.0
    assert scores([dead, card], values)["my-stall"] == pytest.approx(0.25 * 0.1)
    assert 0 < nearness(card, Given(tail_a=0.0, tail_s=9.0)) < nearness(card, values) < 1


@pytest.mark.parametrize(("value", "kept"), [(0.1, True), (0.3, True), (0.05, False), (0.4, False), (None, False)])
def test_a_condition(value: float | None, kept: bool) -> None:
    condition = Condition(quantity="tail_a", unit="A", at_least=0.1, at_most=0.3)
    assert holds([condition], Given(tail_a=value)) == kept


# ---- words ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "u", "text"),
    [
        (0.0613, "A", None, "61.3 mA"),
        (1.5, "A", None, "1.50 A"),
        (0.0613, "A", 0.0012, "61.3 mA ± 1.2 mA"),
        (3.126, "V", None, "3.13 V"),
        (2.345, "s", 0.02, "2.35 s ± 0.02 s"),
        (12.345, "s", None, "12.3 s"),
        (5.0, "1", None, "5"),
        (0.637, "1", None, "0.64"),
        (12.34, "%", 0.5, "12.3 % ± 0.5 %"),
        (99.6, "%", None, "100 %"),
        (0.0432, "Ω", None, "0.04 Ω"),
    ],
)
def test_a_figure_is_said_with_its_unit(value: float, unit: str, u: float | None, text: str) -> None:
    assert said(value, unit, u) == text


def test_a_sentence_without_its_figure_is_left_out() -> None:
    values = of(extract(read(Board(flat(8, 0.0), button_s=3.0), Meter())))
    assert values is not None
    assert filled("{period_s} is the period.", values) is None
    assert filled("For {rest_s} nothing.", values) is not None


# ---- the quantities -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("make", [boards.no_draw, boards.dead_short, boards.boot_loop, boards.clean_boot])
def test_every_quantity_is_a_number_or_unknown(make: Any) -> None:
    values = of(extract(read(make(np.random.default_rng(4)), Meter())))
    assert values is not None
    for name, quantity in QUANTITIES.items():
        value, u = values[name], values.uncertainty(name)
        assert value is None or math.isfinite(value)
        assert u is None or u >= 0
        assert quantity.unit in {"A", "V", "s", "Ω", "W", "J", "C", "1", "1/s", "%"}
        assert quantity.meaning
        assert quantity.label


def test_every_quantity_that_no_card_uses_is_still_measured_somewhere() -> None:
    """A quantity that is None in all of these would be a wrong name of a feature."""
    seen = set()
    for make in (boards.clean_boot, boards.boot_loop, boards.late_short):
        trace = read(make(np.random.default_rng(4)), Meter())
        told = msgspec.structs.replace(trace.conditions, lead_ohm=0.05, lead_u_ohm=0.001)
        values = of(extract(dataclasses.replace(trace, conditions=told)), "short")
        assert values is not None
        seen |= {name for name in QUANTITIES if values[name] is not None}
    missing = {name for name in QUANTITIES if name not in seen}
    of_references = {
        n for n in missing if n.startswith(("over_", "busy_", "settled_", "diverges_")) or n == "similarity"
    }
    assert missing - of_references <= {"trip_s"}


# ---- the shipped ones -----------------------------------------------------------------------------------------------


def test_all_signatures_are_there() -> None:
    assert set(shipped()) == THIRTEEN | OF_USB
    assert shipped_shelf().faults() == []


@pytest.mark.parametrize("name", sorted(THIRTEEN | OF_USB))
def test_a_shipped_card_is_whole(name: str) -> None:
    card = shipped()[name].card
    assert card.source.strip()
    assert ("no source" in card.source) or name.startswith("usb-")
    assert len(card.check) >= 3 or name == "unclear"
    assert all(each.text.endswith((".", "?")) for each in card.check)
    assert card.cautions
    if name != "unclear":
        assert len(card.alternative) >= 1
        assert len(card.evidence) >= 2
    named = {field for each in card.evidence for field, _ in FIELD.findall(each.text)}
    assert named <= set(QUANTITIES)
    # What may harm comes last: joints are thought of when all else is measured.
    joints = [k for k, each in enumerate(card.check) if "Only then" in each.text]
    assert joints in ([], [len(card.check) - 1])


@pytest.mark.parametrize("name", ["usb-unconfigured", "usb-enumerated", "usb-charging", "usb-nothing"])
def test_a_usb_card_names_the_specification(name: str) -> None:
    assert "USB 2.0" in shipped()[name].card.source or "USB BC 1.2" in shipped()[name].card.source


def test_a_folder_of_cards_is_read_anew_when_a_file_changes(tmp_path: Path) -> None:
    folder = CardFolder(tmp_path / "cards")
    first = folder.shelf()
    assert folder.shelf() is first
    written(tmp_path / "cards")
    assert folder.shelf().card("my-stall").version == 3
    # What an editor leaves while it has a file open: a link to nothing. It hides no other file.
    (tmp_path / "cards" / ".#my-stall.toml").symlink_to("nowhere")
    (tmp_path / "cards" / "gone.toml").symlink_to("nowhere")
    assert "gone.toml" in "".join(folder.shelf().faults() or folder.faults())
    written(tmp_path / "cards", OWN.replace("version = 3", "version = 44"))
    assert folder.shelf().card("my-stall").version == 44
    (tmp_path / "cards" / "my-stall.toml").unlink()
    assert folder.shelf().find("my-stall") is None


def test_a_card_is_edited_as_text_and_must_fit_the_others(tmp_path: Path) -> None:
    folder = CardFolder(tmp_path)
    shipped_text = folder.text("low-stall")
    with pytest.raises(CardError, match="no such card"):
        folder.save("mine", shipped_text.replace('id = "low-stall"', 'before = ["no-such-card"]'))
    assert not list(tmp_path.iterdir())
    mine = folder.save("low-stall", f"# of this shop\n{shipped_text}")
    assert mine.id == "low-stall"
    assert folder.shelf().all()[list(shipped()).index("low-stall")].origin == "own"
    assert folder.text("low-stall").startswith("# of this shop")
    own = shipped_text.replace('id = "low-stall"', 'id = "other"')
    folder.save("other", own)
    folder.save("third", own.replace('id = "other"', 'before = ["other"]'))
    with pytest.raises(CardError, match="card third needs it"):
        folder.delete("other")
    for name in ("third", "other", "low-stall"):
        folder.delete(name)
    with pytest.raises(CardError, match="shipped with benchd and stays"):
        folder.delete("low-stall")
    with pytest.raises(CardError, match="none of your own"):
        folder.delete("other")
    with pytest.raises(CardError, match="allowed are 1 to 32"):
        folder.text("../x")
