"""How the checklists of a job stand, from its journal: the newest entry about an item counts.

What was ticked and stands in no list any more (the list was edited, or the job got another kind of board) is still
told, marked as retired: it was done.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Literal, get_args

import msgspec

from benchd.jobs.checklist import MOMENTS, Checklist, Item, Moment
from benchd.jobs.job import JournalEntry

TickState = Literal["open", "done", "not-needed"]
TICK_STATES: tuple[TickState, ...] = get_args(TickState)


class ItemState(msgspec.Struct, frozen=True):
    """One item of a checklist and how it stands."""

    id: str
    label: str
    why: str = ""
    """What can go wrong without it."""
    state: TickState = "open"
    note: str = ""
    by: str = ""
    """Who ticked it, or opened it again."""
    t_ns: int | None = None
    """When, ns since the epoch; None: never touched."""
    version: int = 0
    """0, or the `seq` of its newest entry."""
    retired: bool = False
    """It was ticked, but stands in no list of this job any more."""


class ListState(msgspec.Struct, frozen=True):
    """A checklist of a job and how its items stand."""

    id: str
    label: str
    moment: Moment
    items: tuple[ItemState, ...]
    open: int
    """Items that are neither done nor not needed."""


def tick_payload(at: Checklist, item: Item, state: TickState, note: str, by: str) -> dict[str, Any]:
    """What the journal says of a tick: with the words that were read, since lists are edited."""
    return {
        "list": at.name, "title": at.title, "moment": at.moment, "item": item.id, "label": item.label, "state": state,
        "note": note, "by": by,
    }  # fmt: skip


def states(lists: Sequence[Checklist], entries: Iterable[JournalEntry]) -> list[ListState]:
    """The lists in the order of their moments. `lists`: those that the job has; `entries`: its journal by `seq`."""
    newest: dict[tuple[str, str], JournalEntry] = {}
    for entry in entries:
        if entry.kind == "check":
            newest[str(entry.payload.get("list", "")), str(entry.payload.get("item", ""))] = entry
    told = {each.name: [_item(item, newest.pop((each.name, item.id), None)) for item in each.item] for each in lists}
    heads: dict[str, tuple[str, Moment]] = {each.name: (each.title, each.moment) for each in lists}
    for (name, _), entry in newest.items():
        if _state(entry.payload) != "open":
            told.setdefault(name, []).append(_retired(entry))
            heads.setdefault(name, _head(entry))
    made = [_list(name, *heads[name], items) for name, items in told.items()]
    return sorted(made, key=lambda each: MOMENTS.index(each.moment))


def still_open(made: Iterable[ListState], moment: Moment) -> list[ListState]:
    """The lists of a moment that have open items, with those alone."""
    some = [each for each in made if each.moment == moment and each.open]
    return [_list(each.id, each.label, moment, [i for i in each.items if i.state == "open"]) for each in some]


def _list(name: str, title: str, moment: Moment, items: Sequence[ItemState]) -> ListState:
    return ListState(name, title, moment, tuple(items), sum(item.state == "open" for item in items))


def _item(item: Item, entry: JournalEntry | None) -> ItemState:
    if entry is None:
        return ItemState(item.id, item.label, item.why)
    p = entry.payload
    return ItemState(
        item.id, item.label, item.why, _state(p), str(p.get("note", "")), str(p.get("by", "")), entry.t_ns, entry.seq
    )


def _retired(entry: JournalEntry) -> ItemState:
    p = entry.payload
    id, note, by = str(p.get("item", "")), str(p.get("note", "")), str(p.get("by", ""))
    return ItemState(id, str(p.get("label", "")) or id, "", _state(p), note, by, entry.t_ns, entry.seq, True)


def _head(entry: JournalEntry) -> tuple[str, Moment]:
    """Of a list that the job has no more: as the journal has it."""
    title, moment = str(entry.payload.get("title", "")), entry.payload.get("moment")
    return title or str(entry.payload.get("list", "")), moment if moment in MOMENTS else MOMENTS[-1]


def _state(p: dict[str, Any]) -> TickState:
    state = p.get("state")
    return state if state in TICK_STATES else "open"
