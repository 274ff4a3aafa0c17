"""`benchd signatures`: the cards that traces are read by, and one's own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import job as job_cli
from benchd.cli import out

if TYPE_CHECKING:
    from benchd.traces.card import Card, Look
    from benchd.traces.cards import Found, Shelf

app = typer.Typer(
    help="Signature cards: what shapes of traces are looked for, by which figures, and what to do about each.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
CARDS = typer.Option("--cards", help="Folder of your own cards; without it `cards` beside the log.")


@app.command("list")
def list_(
    cards: Annotated[Path | None, CARDS] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """All cards, and where each stands. Example: benchd signatures list"""
    shelf = shelf_of(cards, config)
    for found in shelf.all():
        card = found.card
        before = ", before the shipped one" if found.overrides else ""
        words = f"{card.stamp} ({found.origin}{before}; {_SIDES[card.side]}): {card.title}. {card.sees}"
        out.emit(_record(found), words, json_)
    for fault in shelf.faults():
        typer.echo(f"benchd: {fault}", err=True)


@app.command()
def show(
    id: Annotated[str, typer.Argument(help="The signature.")],
    cards: Annotated[Path | None, CARDS] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A card: what it looks at, what it is taken for, what to do next. Example: benchd signatures show low-stall"""
    shelf = shelf_of(cards, config)
    found = shelf.find(id)
    if found is None:
        out.fail(f"signature {id!r} is not there; there are: {', '.join(shelf.names())}")
    out.emit(_record(found), _text(found), json_)


@app.command()
def copy(
    id: Annotated[str, typer.Argument(help="The shipped card to begin with.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Make a card of your own from a shipped one, to edit; it stands in its place. Example: benchd signatures copy
    low-stall"""
    from benchd.traces.cards import shipped

    if (found := shipped().get(id)) is None:
        out.fail(f"signature {id!r} is not shipped; there are: {', '.join(sorted(shipped()))}")
    path = job_cli.data_path(data_dir, config) / "cards" / f"{id}.toml"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(found.path.read_text("utf-8"))
    except FileExistsError:
        out.fail(f"{path}: it is there already; edit it, or delete it first")
    except OSError as e:
        out.fail(f"{path}: cannot be written: {e}")
    words = f"{path}: edit it, raise its version, then `benchd signatures check {path}`"
    out.emit({"id": id, "file": str(path)}, words, json_)


@app.command()
def check(
    files: Annotated[list[Path], typer.Argument(help="Files of cards.")], json_: Annotated[bool, out.JSON] = False
) -> None:
    """Check files of cards, each by itself and with the shipped ones. Example: benchd signatures check my-stall.toml"""
    from benchd.traces.cards import CardError, check_together, read_card

    faults: dict[Path, list[str]] = {path: [] for path in files}
    read = []
    for path in files:
        try:
            read.append((path, read_card(path)))
        except CardError as error:
            faults[path] = str(error).splitlines()
    for where, misfit in check_together(read):
        faults[where] += str(misfit).splitlines()
    for path, told in faults.items():
        if json_ or not told:
            out.emit({"file": str(path), "ok": not told, "faults": told}, f"{path}: in order", json_)
        else:
            typer.echo("\n".join(f"benchd: {each}" for each in told), err=True)
    if any(faults.values()):
        raise typer.Exit(2)


@app.command()
def quantities(json_: Annotated[bool, out.JSON] = False) -> None:
    """What a card may look at, with units. Example: benchd signatures quantities"""
    from benchd.traces.quantities import QUANTITIES

    for q in QUANTITIES.values():
        record = {"name": q.name, "unit": q.unit, "label": q.label, "meaning": q.meaning}
        out.emit(record, f"{q.name} ({q.unit}): {q.label}: {q.meaning}", json_)


def shelf_of(cards: Path | None, config: Path | None, data_dir: Path | None = None) -> Shelf:
    """The shipped cards with those of one's own; a folder that was named has to be there."""
    from benchd.traces.cards import Shelf

    if cards is not None and not cards.is_dir():
        out.fail(f"{cards}: no such folder of cards", 2)
    return Shelf(cards or job_cli.data_path(data_dir, config) / "cards")


_SIDES = {"any": "any side", "battery": "battery or adapter side", "usb": "5 V USB side"}


def _record(found: Found) -> dict[str, Any]:
    return {
        "id": found.card.id,
        "version": found.card.version,
        "origin": found.origin,
        "overrides": found.overrides,
        "file": str(found.path),
        "card": found.card.model_dump(mode="json"),
    }


def _text(found: Found) -> str:
    card = found.card
    lines = [f"{card.stamp} ({found.origin}: {found.path}; {_SIDES[card.side]})", card.title, card.sees, ""]
    lines += ["looks at:", *(f"  {_look(look)}" for look in card.look)]
    for each in card.any:
        lines.append("  the best of:")
        lines += [f"    {' and '.join(_look(look) for look in way)}" for way in each.ways]
    lines += [
        f"gives way to {' or '.join(y.to)}: up to {y.takes:.0%}, from a score of {y.no_at:g} to {y.full_at:g}"
        for y in card.yields_to
    ]
    lines += ["", *_advice(card), "", "source:", *(f"  {line}" for line in card.source.strip().splitlines())]
    return "\n".join(lines)


def _look(look: Look) -> str:
    unit = "" if look.unit == "1" else f" {look.unit}"
    weight = f", leaves {look.least:.0%} to {look.most:.0%}" if (look.least, look.most) != (0, 1) else ""
    return f"{look.quantity}: against it at {look.no_at:g}{unit}, for it at {look.full_at:g}{unit}{weight}"


def _advice(card: Card) -> list[str]:
    from benchd.traces.cautions import CAUTIONS

    return [
        *(f"or: {other.signature}: {other.tell_apart}" for other in card.alternative),
        *(f"next: {each.text}" for each in card.check),
        *(f"caution: {CAUTIONS.get(each, each)}" for each in card.cautions),
    ]
