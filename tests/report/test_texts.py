"""The words of a report: the same keys in each language, figures and dates as each writes them."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.jobs.checklist_folder import shipped as shipped_lists
from benchd.jobs.choices import BATTERIES, RISKS, STATES
from benchd.jobs.steps import shipped_steps
from benchd.report.document import kept
from benchd.report.said import FIELD, pattern
from benchd.report.texts import FOLDER, Texts, TextsError, languages, read_texts
from benchd.traces.cards import shipped
from benchd.traces.cautions import CAUTIONS
from benchd.traces.trip_words import ADVICE, advice

MILLION_NS = 1_000_000_000_000_000_000
PLACE = re.compile(r"\{[^}]*\}")


def utc(t_ns: int) -> datetime:
    return datetime.fromtimestamp(t_ns / 1e9, UTC)


def test_each_language_has_every_key_with_the_same_places() -> None:
    assert languages() == ("de", "en")
    first, second = (read_texts(language) for language in languages())
    assert first.keys() == second.keys()
    for table in first:
        assert first[table].keys() == second[table].keys(), table
        for key, text in first[table].items():
            if isinstance(text, str):
                assert set(PLACE.findall(text)) == set(PLACE.findall(second[table][key])), f"{table}.{key}"
            else:
                assert len(text) == len(second[table][key]) == 12, f"{table}.{key}"


def test_no_text_is_there_that_nobody_wants() -> None:
    """Tables whose keys are ids come from data; every other key stands in the code, whole or by its own name."""
    of_ids = {"battery", "state", "signature", "plain", "risk", "rule", "mark", "phase", "trust", "page"}
    code = "".join(file.read_text("utf-8") for file in FOLDER.parent.glob("*.py"))
    for table, texts in read_texts("en").items():
        for key in texts if table not in of_ids else ():
            stem = re.sub(r"-(one|more)$", "", key)  # of what is counted
            names = {f"{table}.{key}", f"{table}.{stem}", key, key.removeprefix("when-")}
            assert any(f"{quote}{name}{quote}" in code for name in names for quote in "\"'"), f"{table}.{key}"


def test_ids_have_words() -> None:
    texts = Texts("de")
    for card in shipped():
        assert texts.get(f"signature.{card}"), card
        assert texts.get(f"plain.{card}"), card
    assert all(texts.get(f"battery.{id}") for id in BATTERIES if id)
    assert all(texts.get(f"state.{id}") for id in STATES)
    assert all(texts.get(f"risk.{id}") for id in RISKS)
    assert [Texts("en")(f"risk.{id}") for id in RISKS] == list(RISKS.values())
    assert all(texts.get(f"rule.{rule}") for rule in ADVICE)


def test_every_sentence_that_is_shipped_in_english_is_said_in_german() -> None:
    texts, english, wanted = Texts("de"), Texts("en"), set(CAUTIONS.values())
    for found in shipped().values():
        card = found.card
        wanted |= {card.would, *(e.text for e in card.evidence), *(c.text for c in card.check)}
        wanted |= {CAUTIONS.get(c, c) for c in card.cautions} | {a.tell_apart for a in card.alternative}
    for rule in (*ADVICE, "another"):
        wanted |= {*advice(rule).checks, *advice(rule).cautions}
    for list_ in shipped_lists().values():
        wanted |= {list_.card.title, *(item.label for item in list_.card.item)}
    for step in shipped_steps().values():
        wanted |= {step.label, step.plain, *(f"{d}7" if d.endswith(" ") else d for d in step.details)}
    filled = {FIELD.sub("1.5 V", sentence) for sentence in wanted if sentence}
    left = {sentence for sentence in filled if texts.said(sentence) == sentence}
    assert not left, "add a line to texts/de-said.toml for each"
    assert all(english.said(sentence) == sentence for sentence in filled)


def test_a_sentence_keeps_its_figures() -> None:
    texts = Texts("de")
    said = texts.said(
        "1.12 mA ± 0.62 mA (k = 2, accuracy of the supply not stated) flow before the button, over 2.58 s; up to 5 mA "
        "is normal here."
    )
    assert said == (
        "1,12 mA ± 0,62 mA (k = 2, Genauigkeit des Netzteils nicht angegeben) fließen vor dem Taster, über 2,58 s; bis "
        "5 mA sind hier normal."
    )
    mine = "My own card says 1.5 things."
    assert texts.said(mine) == mine


@settings(max_examples=40)
@given(st.text(max_size=40), st.text(max_size=40))
def test_any_words_may_stand_in_the_braces(one: str, two: str) -> None:
    found = pattern("a {x} b {y ±}.").fullmatch(f"a {one} b {two}.")
    assert (found is not None) == bool(one and two) or " b " in one + two


def test_figures_dates_and_shares() -> None:
    en, de = Texts("en", utc), Texts("de", utc)
    # 10^18 ns after the epoch: 2001-09-09T01:46:40Z (POSIX.1-2017 4.16, and any calendar).
    assert en.moment(MILLION_NS) == "9 September 2001, 01:46"
    assert de.moment(MILLION_NS) == "9. September 2001, 01:46 Uhr"
    # Rounded to two digits of the uncertainty (JCGM 100:2008 §7.2.6).
    assert en.figure(0.0597, "A", 0.0023) == "59.7 mA ± 2.3 mA"
    assert de.figure(0.0597, "A", 0.0023) == "59,7 mA ± 2,3 mA"
    assert de.figure(float("nan"), "A") == "nicht bekannt"
    assert de.figure(-1.5, "V") == "\N{MINUS SIGN}1,50 V"
    assert de.numbers("2 A (1.5 V) V1.x 3.") == "2 A (1,5 V) V1.x 3."
    assert en.percent(0.824) == "82 %"
    assert [en.seconds(t) for t in (1.234, 47.66, 754.0, 3599.7)] == ["1.23 s", "47.7 s", "12 min 34 s", "60 min 0 s"]


def test_no_line_is_broken_in_a_figure() -> None:
    assert kept("59.7 mA ± 2.3 mA (k = 2) in 12 min, 95 % of 3 steps").replace("\xa0", "~") == (
        "59.7~mA~±~2.3~mA (k~=~2) in 12~min, 95~% of 3 steps"
    )


def test_what_is_not_there_is_told() -> None:
    with pytest.raises(TextsError, match="language = 'fr': allowed are de, en"):
        Texts("fr")
    with pytest.raises(TextsError, match=r"no text 'job\.colour' in en\.toml"):
        Texts("en")("job.colour")
