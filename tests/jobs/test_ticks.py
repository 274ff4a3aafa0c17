"""How checklists stand, from a journal."""

from __future__ import annotations

from typing import Any

from benchd.jobs.checklist import Checklist, checklist_of
from benchd.jobs.job import JournalEntry
from benchd.jobs.ticks import ItemState, ListState, TickState, states, still_open, tick_payload

POWER = checklist_of(
    'format = 1\ntitle = "Before"\nmoment = "before-power"\n[[item]]\nid = "a"\nlabel = "A"\nwhy = "Since."\n'
    '[[item]]\nid = "b"\nlabel = "B"\n',
    "power",
)
CLOSING = checklist_of(
    'format = 1\ntitle = "After"\nmoment = "after-repair"\n[[item]]\nid = "a"\nlabel = "Z"\n', "closing"
)


def check(seq: int, at: Checklist, item: str, state: TickState, **more: Any) -> JournalEntry:
    found = next(each for each in at.item if each.id == item)
    payload = tick_payload(at, found, state, more.pop("note", ""), "north") | more
    return JournalEntry(seq, seq * 10, "check", "R-1", None, None, None, payload)


def test_all_is_open_at_first() -> None:
    found = states([CLOSING, POWER], [])
    assert found == [
        ListState("power", "Before", "before-power", (ItemState("a", "A", "Since."), ItemState("b", "B")), 2),
        ListState("closing", "After", "after-repair", (ItemState("a", "Z"),), 1),
    ], "in the order of a repair"


def test_the_newest_word_counts_in_its_own_list() -> None:
    entries = [
        check(1, POWER, "a", "done"),
        check(2, POWER, "b", "not-needed", note="no battery"),
        check(3, POWER, "a", "open"),
        check(4, POWER, "a", "done", note="again"),
    ]
    power, closing = states([POWER, CLOSING], entries)
    assert power.items == (
        ItemState("a", "A", "Since.", "done", "again", "north", 40, 4),
        ItemState("b", "B", "", "not-needed", "no battery", "north", 20, 2),
    )
    assert (power.open, closing.open) == (0, 1)


def test_what_was_done_is_told_though_its_list_has_gone() -> None:
    entries = [check(1, POWER, "b", "done"), check(2, CLOSING, "a", "done"), check(3, CLOSING, "a", "open")]
    (power,) = states([], entries)
    assert (power.id, power.label, power.moment, power.open) == ("power", "Before", "before-power", 0)
    assert power.items == (ItemState("b", "B", "", "done", "", "north", 10, 1, retired=True),)
    shorter = POWER.model_copy(update={"item": POWER.item[:1]})
    (power,) = states([shorter], entries)
    assert [(item.id, item.retired) for item in power.items] == [("a", False), ("b", True)]
    assert power.open == 1


def test_an_entry_without_its_words_does_no_harm() -> None:
    """What forgetting leaves of a tick."""
    entry = JournalEntry(1, 10, "check", "R-1", None, None, None, {})
    assert states([], [entry]) == []
    odd = JournalEntry(
        1, 10, "check", "R-1", None, None, None, {"list": "x", "item": "i", "state": "done", "moment": 3}
    )
    (found,) = states([], [odd])
    assert (found.label, found.moment, found.items[0].label) == ("x", "after-repair", "i")


def test_what_is_still_open_of_a_moment() -> None:
    found = states([POWER, CLOSING], [check(1, POWER, "a", "done")])
    (power,) = still_open(found, "before-power")
    assert [item.id for item in power.items] == ["b"]
    assert still_open(found, "before-chip") == []
    assert still_open(states([CLOSING], [check(1, CLOSING, "a", "done")]), "after-repair") == []
