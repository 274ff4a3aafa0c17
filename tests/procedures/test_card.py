"""Cards as files: what is wrong with one is told by its place, what was given and what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.plans.shelf import shipped as plans
from benchd.procedures.card import card_of
from benchd.procedures.check import Output, check
from benchd.procedures.record import Value
from benchd.procedures.shelf import procedure_folder, shipped
from benchd.procedures.values import parameters_of
from benchd.toml_file import FileFault

HEAD = 'format = 1\ntitle = "Test"\nwhat = "A test."\n[sides.main]\ntitle = "Board"\n'

CHOICE = '[parameter.kind]\ntitle = "x"\nkind = "choice"\nchoices = ["thin", "thick"]\n[parameter.p]\ntitle = "y"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[step]]\ndo = "off"\nfoo = 1\n', "step[0].foo: unknown key; allowed here: title, do, side"),
        ('[[step]]\ndo = "jump"\n', "step[0].do = 'jump': allowed: 'on', 'off', 'set', 'wait', 'measure'"),
        ("[[step]]\nseconds = 1\n", "step[0].do: missing; it has to be given"),
        ('[[step]]\ndo = "on"\nvoltage_v = true\nlimit_a = 1\n', "voltage_v = True: allowed: a number (unit: V)"),
        ('[[step]]\ndo = "set"\nvoltage_v = { of = "x", tmes = 2 }\n', "step[0].voltage_v.tmes: unknown key"),
        (
            '[[step]]\ndo = "repeat"\ntimes = 2\n[[step.step]]\ndo = "measure"\nname = "A"\n',
            "step[0].step[0].name = 'A'",
        ),
        ('[[step]]\ndo = "repeat"\nform = 1\n[[step.step]]\ndo = "off"\n', "step[0].form: unknown key"),
        ('[[step]]\ndo = "wait"\n', "step[0]: give seconds, or quantity with above or below and timeout_s"),
        ('[[step]]\ndo = "off"\nside = "usb"\n', "step[0].side = 'usb': there is no such side; there are: main"),
        ('[[step]]\ndo = "analyse"\nusing = "x"\n', "step[0].using = 'x': allowed are cycles"),
        ('[parameter.a]\ntitle = "x"\nkind = "choice"\n[[step]]\ndo = "off"\n', "kind = 'choice' needs"),
        ('[parameter.a]\ntitel = "x"\n[[step]]\ndo = "off"\n', "parameter.a.titel: unknown key"),
        ('[parameter.a]\ntitle = "x"\nhigh = 2\ndefault = 3\n[[step]]\ndo = "off"\n', "allowed is up to 2"),
        (
            '[[step]]\ndo = "on"\nvoltage_v = 1\nlimit_a = 1\ninjection = true\n',
            "step[0]: injection = true needs power_w, energy_j and longest_on_s",
        ),
        (CHOICE + 'default = { choice = "b", values = { thin = 1 } }\n[[step]]\ndo = "off"\n',
         "parameter.p.default.choice = 'b': no parameter of kind choice of that name stands before it"),
        (CHOICE + 'default = { choice = "kind", values = { thin = 1 } }\n[[step]]\ndo = "off"\n',
         "parameter.p.default.values has thin; wanted is one for each of thin, thick"),
        (CHOICE + 'high = 2\ndefault = { choice = "kind", values = { thin = 1, thick = 3 } }\n[[step]]\ndo = "off"\n',
         "allowed is up to 2"),
        ('[[step]]\ndo = "ask"\nname = "q"\ntext = "?"\n', "step[0].timeout_s: missing"),
    ],
)  # fmt: skip
def test_a_fault_is_named_by_its_place(text: str, said: str) -> None:
    with pytest.raises(FileFault) as refused:
        card_of(HEAD + text, "test")
    assert said in str(refused.value)


def test_the_shipped_cards_are_called_as_their_files_and_have_cautions() -> None:
    for name, kept in shipped().items():
        assert kept.card.name == name
        assert kept.card.cautions
        assert kept.card.source


def test_a_card_of_ones_own_stands_before_the_shipped_one(tmp_path: Path) -> None:
    folder = procedure_folder(tmp_path / "procedures")
    text = folder.text("leak-curve").replace('title = "Leak curve"', 'title = "Ours"')
    folder.save("leak-curve", text)
    kept = folder.read().find("leak-curve")
    assert kept is not None
    assert (kept.card.title, kept.origin, kept.overrides) == ("Ours", "own", True)
    folder.copy("leak-curve", "ours")
    (tmp_path / "procedures" / "leak-curve.toml").write_text("format = 1\n", "utf-8")
    read = folder.read()
    assert {each.card.name for each in read.found} == {*shipped(), "ours"}
    assert all(fault.endswith("; the shipped procedure leak-curve is used") for fault in read.faults)
    folder.delete("leak-curve")
    assert not folder.read().faults
    with pytest.raises(FileFault, match="it is shipped with benchd and stays"):
        folder.delete("leak-curve")
    with pytest.raises(FileFault, match="allowed are 1 to 40 of a-z"):
        folder.save("../x", text)


@pytest.mark.parametrize(
    ("on_it", "power_w", "limit_a"),
    [(None, 0.6, 1.2), ("chips", 0.6, 1.2), ("capacitors and coils only", 2.0, 2.0)],
)
def test_what_is_on_a_rail_chooses_what_it_gets(on_it: str | None, power_w: float, limit_a: float) -> None:
    """0.5 V times the limit is the power; the plan's limit of 2 A is never passed."""
    card = shipped()["find-short"].card
    given: dict[str, Value] = {"rail_v": 1.1} | ({} if on_it is None else {"on_it": on_it})
    found, told = parameters_of(card, given, plans()["phone-cell"].plan)
    assert told == []
    assert (found["power_w"], found["limit_a"], found["voltage_v"]) == (power_w, limit_a, 0.5)
    checked = check(card, given, {"main": Output(plans()["phone-cell"].plan, 5.0, 3.0)})
    assert (checked.faults, checked.most["main"].power_w) == ([], power_w)
