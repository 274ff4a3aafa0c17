"""Where commands are declared: a pattern, how many parameters it takes, and the function that carries it out."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from benchd.sim.errors import ScpiError
from benchd.sim.parser import Tree, units

if TYPE_CHECKING:
    from benchd.sim.instrument import Instrument


class Call(NamedTuple):
    """One command as it is carried out.

    `suffixes`: of the keywords marked `#`. `now_s`: the model's time. `arrival_ns` and `last_reply_ns`: on the
    process's monotonic clock, when the message came and when its connection was last sent a reply (0: never).
    `pending`: whether this message already has a reply waiting.
    """

    parameters: tuple[str, ...]
    suffixes: tuple[int, ...]
    now_s: float
    arrival_ns: int
    last_reply_ns: int
    pending: bool


Handler = Callable[["Instrument", Call], "str | None"]
H = TypeVar("H", bound=Handler)


class Command(NamedTuple):
    carry_out: Handler
    fewest: int
    most: int


class Step(NamedTuple):
    """A command found for one unit of a message."""

    command: Command
    parameters: tuple[str, ...]
    suffixes: tuple[int, ...]


class Program(NamedTuple):
    """A message as understood: the steps, then the command error that ended it, if any."""

    steps: tuple[Step, ...]
    error: ScpiError | None
    simulating: bool


TREE: Tree[Command] = Tree()


def order(pattern: str, fewest: int = 0, most: int | None = None) -> Callable[[H], H]:
    """Declare a command without a reply."""
    return _declare(pattern, False, fewest, most)


def query(pattern: str, fewest: int = 0, most: int | None = None) -> Callable[[H], H]:
    """Declare a query; `pattern` is without its question mark."""
    return _declare(pattern, True, fewest, most)


def _declare(pattern: str, is_query: bool, fewest: int, most: int | None) -> Callable[[H], H]:
    def declare(handler: H) -> H:
        TREE.add(pattern, is_query, Command(handler, fewest, fewest if most is None else most))
        return handler

    return declare


def understand(message: str) -> Program:
    """Never raises: what cannot be read ends the program with its error."""
    steps: list[Step] = []
    error: ScpiError | None = None
    simulating = False
    try:
        for unit in units(message):
            simulating = simulating or (not steps and unit.header.startswith("SIM"))
            command, suffixes = TREE.find(unit.header, unit.query)
            if len(unit.parameters) < command.fewest:
                raise ScpiError(-109, unit.header)
            if len(unit.parameters) > command.most:
                raise ScpiError(-108, unit.parameters[command.most])
            steps.append(Step(command, unit.parameters, suffixes))
    except ScpiError as found:
        error = found
    return Program(tuple(steps), error, simulating)
