"""Small instruments that answer line by line, and profiles for them."""

from __future__ import annotations

import copy
import tomllib

from benchd.share import share_path
from benchd.supplies.profile import parse_profile

BASE = tomllib.loads((share_path("drivers") / "generic-scpi.toml").read_text())
OUTPUT = BASE["outputs"][0]
MULTI = [{**OUTPUT, "numbers": [1, 2]}]


def profile(**changes):
    """The generic profile with tables replaced or merged."""
    data = copy.deepcopy(BASE)
    data.pop("errors")
    for table, change in changes.items():
        if isinstance(change, dict) and isinstance(data.get(table), dict):
            data[table].update(change)
        else:
            data[table] = change
    return parse_profile(data, "x.toml")


class Instrument:
    """Remembers settings; answers as told. `answers`: reply to a line, or a function of it."""

    def __init__(self, **answers):
        self.sets: dict[str, str] = {}
        self.on = "0"
        self.answers = {"*IDN?": "Example,EX,SN7,1.0", **answers}

    def __call__(self, line):
        reply = self.reply(line)
        return [] if reply is None else [reply.encode("latin-1") + b"\n"]

    def reply(self, line):
        if line in self.answers:
            found = self.answers[line]
            return found(self) if callable(found) else found
        if line in ("OUTP ON", "OUTP OFF"):
            self.on = "1" if line.endswith("ON") else "0"
            return None
        if line == "OUTP?":
            return self.on
        if line.endswith("?"):
            return self.sets.get(line[:-1].replace("?", ""), "0")
        name, _, value = line.partition(" ")
        self.sets[name] = value
        return None
