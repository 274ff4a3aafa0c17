"""Where commands are declared: a pattern, how many parameters it takes, and the function that carries it out.

A `Language` belongs to a kind of supply `R`; its handlers are called with the supply and the call. A language can
stand on others: their commands are understood too, unless it has one of its own under the same header.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any, Generic, NamedTuple, TypeVar

from benchd.sim.errors import ScpiError
from benchd.sim.parser import Tree, units

LONGEST_REMEMBERED = 256
"""Characters of a message whose meaning is kept for the next time: polling sends the same few again and again."""

R = TypeVar("R")


class Call(NamedTuple):
    """One command as it is carried out.

    `suffixes`: of the keywords marked `#`. `now_s`: the model's time. `pending`: whether this message already has a
    reply waiting.
    """

    parameters: tuple[str, ...]
    suffixes: tuple[int, ...]
    now_s: float
    pending: bool = False


Handler = Callable[[R, Call], str | None]
H = TypeVar("H", bound=Callable[..., str | None])


class Command(NamedTuple, Generic[R]):
    carry_out: Handler[R]
    query: bool
    fewest: int
    most: int


class Step(NamedTuple, Generic[R]):
    """A command found for one unit of a message."""

    command: Command[R]
    parameters: tuple[str, ...]
    suffixes: tuple[int, ...]


class Program(NamedTuple, Generic[R]):
    """A message as understood: the steps, then the command error that ended it, if any."""

    steps: tuple[Step[R], ...]
    error: ScpiError | None
    simulating: bool


class Language(Generic[R]):
    """The commands of one kind of supply; `parents` are languages it stands on, the first one first."""

    def __init__(self, *parents: Language[Any]) -> None:
        self.tree: Tree[Command[R]] = Tree(*(parent.tree for parent in parents))
        self.understand = lru_cache(maxsize=512)(self._understand)
        """Like `_understand`, remembered."""

    def order(self, pattern: str, fewest: int = 0, most: int | None = None) -> Callable[[H], H]:
        """Declare a command without a reply."""
        return self._declare(pattern, False, fewest, most)

    def query(self, pattern: str, fewest: int = 0, most: int | None = None) -> Callable[[H], H]:
        """Declare a query; `pattern` is without its question mark."""
        return self._declare(pattern, True, fewest, most)

    def _declare(self, pattern: str, is_query: bool, fewest: int, most: int | None) -> Callable[[H], H]:
        def declare(handler: H) -> H:
            self.tree.add(pattern, is_query, Command(handler, is_query, fewest, fewest if most is None else most))
            return handler

        return declare

    def _understand(self, message: str) -> Program[R]:
        """Never raises: what cannot be read ends the program with its error."""
        steps: list[Step[R]] = []
        error: ScpiError | None = None
        simulating = False
        try:
            for unit in units(message):
                simulating = simulating or (not steps and unit.header.startswith("SIM"))
                command, suffixes = self.tree.find(unit.header, unit.query)
                if len(unit.parameters) < command.fewest:
                    raise ScpiError(-109, unit.header)
                if len(unit.parameters) > command.most:
                    raise ScpiError(-108, unit.parameters[command.most])
                steps.append(Step(command, unit.parameters, suffixes))
        except ScpiError as found:
            error = found
        return Program(tuple(steps), error, simulating)

    def program(self, message: str) -> Program[R]:
        """What the message asks for; long ones are not remembered."""
        return self.understand(message) if len(message) <= LONGEST_REMEMBERED else self._understand(message)


def carry_out(
    program: Program[R],
    supply: R,
    now_s: float,
    report: Callable[[ScpiError], object],
    permit: Callable[[Command[R]], object] | None = None,
) -> list[str]:
    """Carry out a message on a supply; its replies. Errors are reported, nothing is raised.

    `permit` is asked before each command and raises the ScpiError of one that is not allowed now.
    """
    replies: list[str] = []
    for command, parameters, suffixes in program.steps:
        try:
            if permit is not None:
                permit(command)
            reply = command.carry_out(supply, Call(parameters, suffixes, now_s, bool(replies)))
        except ScpiError as error:
            report(error)
            if error.ends_message:
                return replies
        else:
            if reply is not None:
                replies.append(reply)
    if program.error is not None:
        report(program.error)
    return replies
