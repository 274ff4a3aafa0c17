"""Cards, checks and leads in the shapes that the web room shows; ids of runs."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable

import msgspec

from benchd.daemon.leads import LeadBook
from benchd.procedures.card import Card, Repeat, Step
from benchd.procedures.check import Checked, Output
from benchd.procedures.parameter import Chosen, Parameter, Worked
from benchd.procedures.record import LeadSet, Run
from benchd.toml_folder import Kept
from benchd.traces.trip_words import quantity
from benchd.web.procedure_port import (
    LeadView,
    MostSet,
    ParameterView,
    ProcedureCard,
    ProcedureChecked,
    SideChosen,
    SideOf,
)

FACES = {"page": "on the page", "command-line": "from the command line", "mqtt": "over MQTT", "other": ""}
PLAN_WORDS = {"plan.voltage_v": "the plan's voltage", "plan.limit_a": "the plan's limit"}
OLD_S = 30 * 86400.0
"""Leads that were measured so long ago are measured again. Our choice: clips wear, and connectors oxidise."""
STEP_WORDS = {
    "on": "switch on", "off": "switch off", "set": "change the settings", "wait": "wait", "measure": "measure",
    "compare": "compare", "ask": "ask you", "mark": "mark", "record": "record", "repeat": "repeat",
    "watch": "measure until you say done", "analyse": "work it out", "end": "end",
}  # fmt: skip


def card_view(kept: Kept[Card]) -> ProcedureCard:
    """A card, as it is offered."""
    card = kept.card
    return ProcedureCard(
        card.name,
        card.title,
        card.version,
        kept.origin,
        kept.overrides,
        card.what,
        list(card.cautions),
        [SideOf(role, side.title, side.text, side.plan) for role, side in card.sides.items()],
        [_parameter(name, parameter, card) for name, parameter in card.parameter.items()],
        [_step(step) for step in card.step],
        card.plan,
        card.traces,
        card.resumes,
    )


def _step(step: Step) -> str:
    words = step.title or STEP_WORDS[getattr(step, "do", "end")]
    return f"{words} (again and again)" if isinstance(step, Repeat) else words


def _parameter(name: str, parameter: Parameter, card: Card) -> ParameterView:
    default = parameter.default
    made = default.told(_named(card), parameter.unit) if isinstance(default, Worked | Chosen) else ""
    return ParameterView(
        name,
        parameter.title,
        parameter.unit,
        parameter.kind,
        None if isinstance(default, Worked | Chosen) else default,
        ". ".join(filter(None, (made, parameter.help))),
        parameter.low,
        parameter.high,
        list(parameter.choices),
        default is None and not parameter.optional,
    )


def _named(card: Card) -> Callable[[str], str]:
    """What a name in a default is called on the page."""

    def named(name: str) -> str:
        return f"“{card.parameter[name].title}”" if name in card.parameter else PLAN_WORDS.get(name, name)

    return named


def stopped(by: str) -> str:
    """How a run ended that somebody stopped; `by`: a name, a face or both, as `web.caller.who` says it."""
    *names, last = by.split(", ")
    names += [] if last in FACES else [last]
    return " ".join(filter(None, ("stopped", f"by {', '.join(names)}" if any(names) else "", FACES.get(last, ""))))


def lead_view(supply: str, channel: int, book: LeadBook, now_ns: int) -> LeadView:
    """What is known of the leads of an output, in a sentence."""
    leads, origin = book.of(supply, channel), book.origin(supply, channel)
    senses = book.wired(supply, channel) == "remote"
    if leads is None:
        text = "nothing is known of these leads: the procedure lead-resistance measures them"
        if senses:
            text = "whether its sense leads reach their clips is not known: the procedure sense-check tells"
        return LeadView(supply, channel, None, "", text)
    told = quantity(leads.ohm, "Ω", leads.u_ohm) + (", with its sense leads" if senses else "")
    if origin == "settings":
        return LeadView(supply, channel, leads, "settings", f"{told}, by length and gauge: contacts are not in it")
    age_s = (now_ns - leads.t_ns) / 1e9
    days = f"{age_s / 86400:.0f} days ago" if age_s >= 86400 else "today"
    old = age_s > OLD_S
    again = "; measure them again: clips wear and connectors oxidise" if old else ""
    return LeadView(supply, channel, leads, origin, f"{told}, {origin} {days}{again}", old)


def new_id() -> str:
    """Of a run: sorts by time (UTC), and no two are alike."""
    return f"P{time.strftime('%y%m%d-%H%M%S', time.gmtime())}-{secrets.token_hex(2)}"


def placed(leads: LeadSet, run: Run) -> LeadSet:
    """With supply and channel: an analysis knows the role of a side only."""
    side = next(each for each in run.sides if each.role == leads.supply)
    return msgspec.structs.replace(leads, supply=side.supply, channel=side.channel)


def checked_view(sides: tuple[SideChosen, ...], outputs: dict[str, Output], checked: Checked) -> ProcedureChecked:
    """What a run would be."""
    most = [
        MostSet(side.role, side.supply, side.channel, outputs[side.role].plan.name,
                found.voltage_v or None, found.limit_a or None, found.power_w, found.energy_j)
        for side in sides
        if (found := checked.most.get(side.role)) is not None
    ]  # fmt: skip
    seconds = checked.seconds if not checked.faults else None
    return ProcedureChecked(checked.faults, most, seconds, checked.cautions, checked.parameters)
