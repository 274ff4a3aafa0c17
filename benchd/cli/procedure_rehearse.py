"""`benchd procedure rehearse`: plays a card on a simulated board, without supply, daemon or waiting."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import job as job_cli
from benchd.cli import out, plans, procedure_set
from benchd.cli.procedure import card_named, run_told

if TYPE_CHECKING:
    from benchd.cli.rehearsal import SimHands
    from benchd.plans.plan import Plan
    from benchd.procedures.card import AnyStep, Card
    from benchd.procedures.check import Checked, Output

ID = "rehearsal"
GOOD = ("passed", "failed", "unclear", "done")
"""The card was carried out to its end; what it found is a simulated board's."""
SIMULATED = "Figures of a simulated board on a simulated supply, not of a real one."
PLANS = {"usb": "usb-5v"}
USUAL_PLAN = "phone-cell"
BOARDS = {
    "lead-resistance": "leads", "sense-leads": "leads", "short": "dead-short", "leak-curve": "diode-leak",
    "sleep": "sleeper",
}  # fmt: skip
"""The kind of board that an analysis is made for; `clean` for the others."""
SIDES = {"usb": "charger-input"}
"""With `clean` at the battery: `charging` feeds back into a supply, and the card ends for that, as it should."""


def rehearse(
    name: Annotated[str, typer.Argument(metavar="NAME_OR_FILE", help="A procedure, or the file of a card.")],
    plan: Annotated[list[str] | None, typer.Option(help="Power plan, or ROLE=PLAN for one side.")] = None,
    set_: Annotated[list[str] | None, typer.Option("--set", help="NAME=VALUE; see `benchd procedure show`.")] = None,
    board: Annotated[list[str] | None, typer.Option(help="Kind of simulated board, or ROLE=KIND.")] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Play a procedure on a simulated board: no supply, no daemon, no waiting; questions answer themselves.

    A live measurement is cut short after ten simulated minutes.
    Ends with status 0 when the card was carried out to its end, 1 when it was refused or ended early.
    Example: benchd procedure rehearse my-leak.toml --board leak-only --set stop_v=4.0
    """
    from benchd.procedures.check import Output, check

    card = _card(name, data_dir, config)
    used = {role: _plan(card, role, plan or (), config) for role in card.sides}
    outputs = {role: Output(each, each.voltage_v, each.limit_a, senses=True) for role, each in used.items()}
    parameters = procedure_set.values(card.name, procedure_set.split(set_ or ()), card.parameter)
    checked = check(card, parameters, outputs)
    if not json_:
        typer.echo(f"{SIMULATED}\n{card.title} ({card.name}, version {card.version})")
        typer.echo("\n".join([*_most(checked, used), f"takes at most {checked.seconds:.0f} s, questions left out"]))
    if checked.faults:
        out.fail(f"{card.name}: refused: " + "\nbenchd: ".join(checked.faults))
    hands = _hands(card, used, board or (), checked, json_)
    run = asyncio.run(_played(card, outputs, parameters, hands))
    still_on = hands.still_on()
    record = {
        "simulated": True, "run": run, "still_on": still_on, "simulated_s": round(hands.elapsed_s, 3),
        "cut_short": hands.cut_short > 0,
        "most": {role: {"voltage_v": volts, "limit_a": amps} for role, (volts, amps) in hands.most.items()},
    }  # fmt: skip
    out.emit(record, "\n".join(_ended(run, hands, still_on)), json_)
    if run["outcome"] not in GOOD or still_on:
        raise typer.Exit(1)


def _card(name: str, data_dir: Path | None, config: Path | None) -> Card:
    from benchd.procedures.card import card_of
    from benchd.toml_file import FileFault, text_of

    path = Path(name)
    if path.suffix != ".toml":
        return card_named(name, data_dir, config).card
    with out.errors(FileFault):
        return card_of(text_of(path), path.stem, name)


def _of_side(given: Sequence[str], role: str, card: Card, what: str) -> str | None:
    """What was given for a side: by its role, or for all."""
    found = None
    for each in given:
        whose, equals, value = each.rpartition("=")
        if equals and whose not in card.sides:
            out.fail(f"--{what} {each}: card {card.name} has no side {whose}; it has {', '.join(card.sides)}", 2)
        if whose == role or (not equals and found is None):
            found = value
    return found


def _plan(card: Card, role: str, given: Sequence[str], config: Path | None) -> Plan:
    name = _of_side(given, role, card, "plan") or PLANS.get(role) or card.plan or USUAL_PLAN
    found = plans.find(name, config)
    if found is None:
        out.fail(f"plan {name!r} is not there; `benchd plans list` lists them", 2)
    return found


def _hands(card: Card, used: dict[str, Plan], boards: Sequence[str], checked: Checked, json_: bool) -> SimHands:
    from benchd.cli.rehearsal import SimHands, side_of
    from benchd.sim.board import KINDS

    made_for = set(_analyses(card.step))
    usual = next((BOARDS[each] for each in BOARDS if each in made_for), "clean")
    by_itself = checked.parameters.get("by_itself")
    sides = {}
    for n, (role, plan) in enumerate(used.items()):
        kind = _of_side(boards, role, card, "board") or SIDES.get(role, usual)
        if kind not in KINDS:
            out.fail(f"--board {kind}: there is no such kind; there are: {', '.join(KINDS)}", 2)
        sides[role] = side_of(plan, kind, n + 1, by_itself if isinstance(by_itself, bool) else None)
        if not json_:
            typer.echo(f"side {role}: board {kind} ({KINDS[kind].tells}), plan {plan.name}")
    if len(sides) == 2:
        one, other = (side.channel for side in sides.values())
        one.other, other.other = other, one

    def say(text: str) -> None:
        if not json_:
            typer.echo(f"{hands.elapsed_s:9.1f} s  {text}")

    hands = SimHands(sides, say, traces=card.traces, points="short" in made_for)
    return hands


def _analyses(steps: Sequence[AnyStep]) -> Iterator[str]:
    """Names of the analyses and live measurements in a card."""
    from benchd.procedures.card import Analyse, Repeat, Watch

    for step in steps:
        if isinstance(step, Watch):
            yield step.live
        elif isinstance(step, Analyse):
            yield step.using
        elif isinstance(step, Repeat):
            yield from _analyses(step.step)


async def _played(
    card: Card, outputs: dict[str, Output], parameters: dict[str, Any], hands: SimHands
) -> dict[str, Any]:
    import msgspec

    from benchd.procedures.engine import RunAsked, run
    from benchd.procedures.record import Side

    sides = tuple(Side(role, "simulated", n + 1) for n, role in enumerate(card.sides))
    ended = await run(card, RunAsked(ID, None, sides, outputs, parameters, ID), hands)
    told: dict[str, Any] = msgspec.to_builtins(ended.run)
    return told


def _most(checked: Checked, used: dict[str, Plan]) -> Iterator[str]:
    """What would be set at most."""
    for role, most in checked.most.items():
        told = [f"{most.voltage_v:g} V", f"{most.limit_a:g} A"]
        told += [f"{most.power_w:g} W"] if most.power_w is not None else []
        told += [f"{most.energy_j:g} J"] if most.energy_j is not None else []
        yield f"side {role}: at most {', '.join(told)}, inside plan {used[role].name}"


def _ended(run: dict[str, Any], hands: SimHands, still_on: Sequence[str]) -> Iterator[str]:
    yield from run_told(run)
    for role, (volts, amps) in hands.most.items():
        yield f"side {role}: the most that was set: {volts:g} V, {amps:g} A"
    yield f"STILL ON: {', '.join(still_on)}" if still_on else "all outputs were off at the end"
    if hands.cut_short:
        yield "Cut short: what comes of hours is not rehearsed."
    yield SIMULATED
