"""The simulated families as the profiles of the same name know them: served by a thread of this process.

The engine and the simulated supplies share no code and were written from the published facts apart from each other, so
what they agree on was understood the same way twice.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from typing import NamedTuple

from benchd.sim.connection import Terminal
from benchd.sim.dialects import FAMILIES
from benchd.sim.dialects.base import Dialect, Setup
from benchd.sim.server import Server
from benchd.supplies.profile import load_profile, profile_of_unit
from benchd.supplies.profile_tables import Profile
from benchd.supplies.recording_replay import without_rests
from benchd.supplies.supply import Supply
from tests.simulated import Lines, Truth

TIMEOUT_S = 0.3
"""For one reply: what the settings have when nobody says otherwise."""
PATIENCE_S = 10.0


class Model(NamedTuple):
    """One model of a family, or the usual one (None)."""

    family: str
    name: str | None = None

    def __str__(self) -> str:
        return f"{self.family} {self.name}" if self.name else self.family


USUAL = [Model(family) for family in sorted(FAMILIES)]
ALL = [Model(family, name) for family in sorted(FAMILIES) for name in FAMILIES[family].models]


def identity_of(model: Model) -> str:
    """What this model says when it is asked for its identification."""
    profile = load_profile(model.family)
    (reply, *_) = FAMILIES[model.family](model.name).answer(profile.identity.query.encode("ascii"), 0.0)
    return reply.decode("latin-1").strip()


def is_known(model: Model) -> bool:
    """Whether the profile is for this model."""
    return load_profile(model.family).identity.named(identity_of(model)) is not None


def profile_of(model: Model) -> Profile:
    """The family's profile as it is for this model."""
    return profile_of_unit(model.family, identity_of(model))


class Served:
    """A simulated supply that answers, and what its bench can be asked. Outputs count from 1."""

    def __init__(self, model: Model, dialect: Dialect, resource: str, control: Lines, pace: float) -> None:
        self.model = model
        self.dialect = dialect
        self.resource = resource
        self.serial = resource.startswith("ASRL")
        self._control = control
        self._pace = pace

    def tell(self, text: str) -> None:
        """An order at the control port, carried out when this returns."""
        answer = self._control.ask(f"{text}\nSIM:ERROR?")
        assert answer.startswith("0,"), f"{text}: {answer}"

    def truth(self, channel: int) -> Truth:
        """The model's own state, noise-free."""
        output, *numbers = self._control.ask(f"SIM{channel}:TRUTH?").split(",")
        return Truth(output == "1", *map(float, numbers))

    def offs(self) -> int:
        """How many orders to switch off came in."""
        return int(self._control.ask("SIM:LOG?").split(",")[0])

    def said_before_off(self, place: int) -> int:
        """Of the off order that came after so many: when its connection had last been given a reply, ns; 0: never."""
        count, *replied = map(int, self._control.ask("SIM:LOG:REPLY?").split(","))
        return replied[place - count]

    @contextmanager
    def driven(self, channels: tuple[int, ...] = (1,)) -> Iterator[Supply]:
        """The engine with the family's profile on it; without the rests where the supply needs none."""
        profile = load_profile(self.model.family)
        profile = profile if self._pace else without_rests(profile)
        with closing(Supply.open(self.model.family, self.resource, profile, channels, TIMEOUT_S)) as supply:
            yield supply


@contextmanager
def serving(model: Model, pace: float = 0.0, before: Callable[[Dialect], None] | None = None) -> Iterator[Served]:
    """Serve a model until the block ends: on a socket where its profile knows one, else on a serial port.

    `pace`: factor on the family's slowness. `before` gets at the supply while nobody talks to it yet.
    """
    dialect = FAMILIES[model.family](model.name, None, Setup())
    if before is not None:
        before(dialect)
    terminal = Terminal() if "tcp" not in load_profile(model.family).link.interfaces else None
    server = Server(dialect, "127.0.0.1", 0, terminal, pace=pace)
    thread = threading.Thread(target=server.run, name=f"simulated {model}")
    thread.start()
    try:
        resource = f"ASRL{terminal.path}::INSTR" if terminal else f"TCPIP0::127.0.0.1::{server.port}::SOCKET"
        with closing(Lines("127.0.0.1", server.control_port)) as control:
            yield Served(model, dialect, resource, control, pace)
    finally:
        server.stop()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
