"""The topics under `benchd/<bench>/`, which payload each has, how it is published; and who may give which command.

The names are our own. MQTT 3.1.1 and 5.0 §4.7: levels are divided by `/`; a published name has no `+`, `#` or NUL, and
what the settings allow as names of benches and supplies has none of them either.
"""

from __future__ import annotations

import dataclasses
import re

import msgspec

from benchd.store.mqtt_payloads import Answer, Found, JobOrder, OnOrder, Order, Procedure, Reading, State, Trip, Who


@dataclasses.dataclass(frozen=True, slots=True)
class Topic:
    """A kind of topic. `name`: with its open levels as `<level>`. `payload` None: one of two plain words."""

    name: str
    payload: type[msgspec.Struct] | None
    about: str
    qos: int = 1
    retained: bool = False

    def of(self, **levels: str | int) -> str:
        """The topic with all its levels filled in. Raises KeyError for one that is missing."""
        return re.sub(r"<(\w+)>", lambda open_: str(levels[open_[1]]), self.name)

    def filter(self, **levels: str | int) -> str:
        """What to subscribe to: `+` for each level that is not given."""
        return re.sub(r"<(\w+)>", lambda open_: str(levels.get(open_[1], "+")), self.name)

    def levels(self, topic: str) -> dict[str, str] | None:
        """What stands in the open levels of a topic of this kind; None: it is of another kind."""
        mine, given = self.name.split("/"), topic.split("/")
        if len(mine) != len(given):
            return None
        pairs = list(zip(mine, given, strict=True))
        if any(own != level for own, level in pairs if not own.startswith("<")):
            return None
        return {own[1:-1]: level for own, level in pairs if own.startswith("<")}


TOPICS = {
    "availability": Topic(
        "benchd/<bench>/availability",
        None,
        "The words `online` and `offline`. The broker says `offline` by itself when the daemon is gone (will).",
        retained=True,
    ),
    "who": Topic("benchd/<bench>/who", Who, "At each connect, before the states.", retained=True),
    "reading": Topic(
        "benchd/<bench>/<supply>/<channel>/reading",
        Reading,
        "At most 10 a second, the newest wins; none while the broker is away.",
        qos=0,
    ),
    "state": Topic(
        "benchd/<bench>/<supply>/<channel>/state",
        State,
        "At each change, and before each `online`. That of an output which is no longer in the settings is taken away.",
        retained=True,
    ),
    "trip": Topic(
        "benchd/<bench>/<supply>/<channel>/trip",
        Trip,
        "Every one, in order, after an outage too. After a break some come again: drop an `id` that was seen before.",
    ),
    "finding": Topic("benchd/<bench>/<supply>/<channel>/finding", Found, "Likewise."),
    "procedure": Topic(
        "benchd/<bench>/<supply>/<channel>/procedure", Procedure, "Likewise. At the output of the run's first side."
    ),
    "done": Topic("benchd/<bench>/done/<id>", Answer, "The answer to the command with that `id`."),
    "command": Topic("benchd/<bench>/do/<supply>/<channel>/<word>", Order, "A command for one output; see below."),
    "bench-command": Topic("benchd/<bench>/do/<word>", Order, "A command for the whole bench; see below."),
}
EVENTS = {"trip": "trip", "trace": "finding", "finding": "finding", "procedure": "procedure"}
"""Kind of a journal entry → kind of topic. No other entry goes out."""


@dataclasses.dataclass(frozen=True, slots=True)
class Word:
    """A command. `free`: carried out without `commands = true` in the settings, and with any payload."""

    payload: type[Order]
    about: str
    free: bool = False


OUTPUT_WORDS = {
    "off": Word(Order, "Switch off. The answer comes when the supply has confirmed it.", free=True),
    "on": Word(OnOrder, "Switch on by a power plan, within its limits."),
    "next": Word(Order, "End the stage `hold`: the limit is raised to the boot's."),
    "rearm": Word(Order, "Release the latch after a trip."),
    "button": Word(Order, "Mark the board's button, now, on the trace that is being recorded."),
}
BENCH_WORDS = {
    "off": Word(Order, "Switch every output off.", free=True),
    "job": Word(JobOrder, "Put a job on the bench."),
}
