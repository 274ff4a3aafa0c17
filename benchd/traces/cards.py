"""Where signature cards lie, and which of one name is used.

A card of one's own (`ID.toml` in the folder `cards` beside the log) stands before the shipped one of that name. A
file of one's own that cannot be used is named by `faults`, and the shipped one is used.
"""

from __future__ import annotations

import functools
import threading
from collections.abc import Mapping, Sequence
from graphlib import CycleError
from pathlib import Path
from typing import Literal, NamedTuple

from pydantic import ValidationError

from benchd.checked import Fault, faults
from benchd.toml_file import FileFault, tables_of, write
from benchd.toml_file import text_of as _text_of
from benchd.traces.card import FORMAT, ID, UNCLEAR, Card
from benchd.traces.card_score import in_order
from benchd.whole_file import sync_folder

MOST_FILES = 100
"""So many cards in a folder are read at most. Our choice."""

Origin = Literal["own", "shipped"]


class CardError(FileFault):
    """A card cannot be used. One line a fault: file, key, what was given, what is allowed."""


class Found(NamedTuple):
    """A card, and where it stands."""

    card: Card
    origin: Origin
    path: Path
    overrides: bool = False
    """It stands before a shipped one."""


class Shelf:
    """All cards: the shipped ones and those in `own_dir`. Read once, when it is made."""

    def __init__(self, own_dir: Path | None = None) -> None:
        self.own_dir = own_dir
        self._faults: list[str] = []
        own = self._read_own()
        used = {**shipped(), **own}
        while wrong := _misfit({name: found.card for name, found in used.items()}):
            guilty = wrong.names & own.keys() or set(own)
            if not guilty:
                raise CardError("the shipped cards", [Fault(wrong.key, wrong.text)])
            for name in guilty:
                found = own.pop(name)
                self._tell(CardError(str(found.path), [Fault(wrong.key, wrong.text)]), name)
            used = {**shipped(), **own}
        self._used = {name: used[name] for name in sorted(used)}
        self.cards: tuple[Card, ...] = tuple(in_order([found.card for found in self._used.values()]))
        """Those that are used, each after those that it yields to."""

    def all(self) -> list[Found]:
        """Of each name the card that is used, by name."""
        return list(self._used.values())

    def find(self, name: str) -> Found | None:
        """The card of that name that is used; None where there is none."""
        return self._used.get(name)

    def card(self, name: str) -> Card:
        """The card of a name that is there. Raises KeyError."""
        return self._used[name].card

    def names(self) -> list[str]:
        """Of all cards that are used."""
        return list(self._used)

    def faults(self) -> list[str]:
        """One sentence for each fault of a file that cannot be used, and what is used in its place."""
        return list(self._faults)

    # ---- within --------------------------------------------------------------------------------------------------

    def _read_own(self) -> dict[str, Found]:
        own: dict[str, Found] = {}
        for path in self._paths():
            try:
                own[path.stem] = Found(read_card(path), "own", path, path.stem in shipped())
            except CardError as error:
                self._tell(error, path.stem)
        return own

    def _paths(self) -> list[Path]:
        if self.own_dir is None:
            return []
        try:
            found = _toml_files(self.own_dir, quiet=False)
        except OSError as error:
            self._faults.append(f"{self.own_dir}: cannot be read: {error}; the shipped cards are used")
            return []
        if len(found) > MOST_FILES:
            self._faults.append(f"{self.own_dir}: {len(found)} cards: only the first {MOST_FILES} by name are read")
        return found[:MOST_FILES]

    def _tell(self, error: CardError, name: str) -> None:
        instead = f"the shipped card {name} is used" if name in shipped() else "it is not used"
        self._faults += [f"{line}; {instead}" for line in str(error).splitlines()]


class _Misfit(NamedTuple):
    names: set[str]
    key: str
    text: str


def _misfit(cards: Mapping[str, Card]) -> _Misfit | None:
    """The first thing that keeps cards from fitting together."""
    there = ", ".join(name for name in sorted(cards) if name != UNCLEAR)
    for name, card in cards.items():
        named = [(f"yields_to[{k}].to", other) for k, each in enumerate(card.yields_to) for other in each.to]
        named += [(f"before[{k}]", other) for k, other in enumerate(card.before)]
        named += [(f"alternative[{k}].signature", each.signature) for k, each in enumerate(card.alternative)]
        for key, other in named:
            if other not in cards or other == UNCLEAR:
                return _Misfit({name}, key, f"{key} = {other!r}: no such card; there are: {there}")
    try:
        in_order(list(cards.values()))
    except CycleError as error:
        circle = [str(each) for each in error.args[1]]
        text = f"yields_to: {' yields to '.join(reversed(circle))}: a circle has no beginning; take one of these out"
        return _Misfit(set(circle), "yields_to", text)
    return None


def _toml_files(folder: Path, quiet: bool = True) -> list[Path]:
    """Its cards by name, hidden files left out; none where there is no folder. Raises OSError unless `quiet`."""
    try:
        return sorted(p for p in folder.iterdir() if p.suffix == ".toml" and not p.name.startswith("."))
    except FileNotFoundError:
        return []
    except OSError:
        if quiet:
            return []
        raise


class CardFolder:
    """The cards of a bench: those in `folder` before the shipped ones, read anew when a file there has changed.

    For any thread.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._seen: object = None
        self._shelf: Shelf | None = None

    def shelf(self) -> Shelf:
        """All cards as the files are now."""
        with self._lock:
            seen = self._look()
            if self._shelf is None or seen != self._seen:
                self._shelf, self._seen = Shelf(self._folder), seen
            return self._shelf

    def check(self, name: str, text: str) -> Card:
        """The card that a file of one's own would be with this text, beside all others. Raises CardError."""
        path = self._path(name)
        card = card_of(path, text)
        others = {found.card.id: found.card for found in self.shelf().all()}
        if wrong := _misfit({**others, name: card}):
            raise CardError(str(path), [Fault(wrong.key if name in wrong.names else "", wrong.text)])
        return card

    def save(self, name: str, text: str) -> Card:
        """Make a card of one's own, or change one, by the whole text of its file. Raises CardError."""
        card = self.check(name, text)
        write(self._path(name), text, CardError)
        return card

    def delete(self, name: str) -> None:
        """Delete a card of one's own, usable or not; a shipped one of that name is used again. Raises CardError."""
        path = self._path(name)
        left = {each.card.id: each.card for each in self.shelf().all() if each.card.id != name}
        left |= {name: shipped()[name].card} if name in shipped() else {}
        if wrong := _misfit(left):
            needed = ", ".join(sorted(wrong.names))
            raise CardError(
                f"card {name}", [Fault("", f"card {needed} needs it ({wrong.text}); change that one first")]
            )
        try:
            path.unlink()
        except FileNotFoundError:
            text = "it is shipped with benchd and stays" if name in shipped() else "there is none of your own"
            raise CardError(f"card {name}", [Fault("", text)]) from None
        except OSError as error:
            raise CardError(str(path), [Fault("", f"cannot be deleted, so it is as it was: {error}")]) from error
        sync_folder(self._folder)

    def has_own(self, name: str) -> bool:
        """Whether there is a file of one's own, usable or not."""
        return self._path(name).exists()

    def text(self, name: str) -> str:
        """What the file of the card of that name says, one's own before the shipped one. Raises CardError."""
        path = self._path(name)
        return text_of(path if path.exists() or name not in shipped() else shipped()[name].path)

    def _path(self, name: str) -> Path:
        if not ID.fullmatch(name):
            allowed = "allowed are 1 to 32 of a-z, 0-9 and '-', starting and ending with a letter or digit"
            raise CardError(f"card {name!r}", [Fault("id", f"id = {name!r}: {allowed}")])
        return self._folder / f"{name}.toml"

    def faults(self) -> list[str]:
        """What was wrong with the files when they were last read; reads none."""
        shelf = self._shelf
        return shelf.faults() if shelf is not None else []

    def _look(self) -> object:
        found = []
        for path in _toml_files(self._folder):
            try:
                state = path.stat()
            except OSError:
                found.append((path.name, 0, 0))  # gone, or a link to nothing: reading it says so
            else:
                found.append((path.name, state.st_mtime_ns, state.st_size))
        return found


@functools.cache
def shipped() -> dict[str, Found]:
    """The cards that come with benchd, by name."""
    folder = Path(__file__).with_name("cards")
    return {path.stem: Found(read_card(path), "shipped", path) for path in sorted(folder.glob("*.toml"))}


@functools.cache
def shipped_shelf() -> Shelf:
    """The shipped cards alone."""
    return Shelf()


def check_together(given: Sequence[tuple[Path, Card]]) -> list[tuple[Path, CardError]]:
    """What keeps cards from fitting together, with one another and with the shipped ones; empty: they fit."""
    paths = {card.id: path for path, card in given}
    cards = {**{name: found.card for name, found in shipped().items()}, **{card.id: card for _, card in given}}
    faulty: list[tuple[Path, CardError]] = []
    while wrong := _misfit(cards):
        guilty = wrong.names & paths.keys()
        for name in guilty:
            path = paths.pop(name)
            faulty.append((path, CardError(str(path), [Fault(wrong.key, wrong.text)])))
            del cards[name]
            if name in shipped():
                cards[name] = shipped()[name].card
        if not guilty:
            break
    return faulty


def read_card(path: Path) -> Card:
    """The card in a file. Raises CardError."""
    return card_of(path, text_of(path))


def text_of(path: Path) -> str:
    """What a card's file says, usable or not. Raises CardError."""
    return _text_of(path, CardError)


def card_of(path: Path, text: str) -> Card:
    """The card that the text of the file `path` says. Raises CardError."""
    said = tables_of(text, str(path), FORMAT, CardError) | {"format": FORMAT}
    if (name := said.setdefault("id", path.stem)) != path.stem:
        text = f"id = {name!r}: the card is called {path.stem}, by its file; change one of the two"
        raise CardError(str(path), [Fault("id", text)])
    try:
        return Card.model_validate(said)
    except ValidationError as error:
        raise CardError(str(path), faults(error, Card)) from None
