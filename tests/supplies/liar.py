"""A supply behind a wire that cannot be trusted: what it says late, twice, by halves or not at all is drawn beforehand.

The instrument itself is honest at the moment at which it answers. `Truth` is what is really on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from benchd.scpi.framing import Frame
from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import LinkLost, ReplyLate
from benchd.supplies.received import body, garbled

IDENTITY = "Example,EX,SN7,1.0"
LOAD_OHM = 2.0


@dataclass
class Truth:
    """Of one output."""

    on: bool = False
    volts: float = 0.0
    amps: float = 0.0

    @property
    def flowing_a(self) -> float:
        return min(self.volts / LOAD_OHM, self.amps) if self.on else 0.0


@dataclass
class Fake:
    """Commands as `VOLT 1.0`, `VOLT2 1.0`, `INST 2;:VOLT 1.0`. `odd`: draws what goes wrong, out of the names given.

    `echo`: replies repeat their header. `negative`: voltages have a minus. `switched` is told of each ON carried out.
    """

    odd: Callable[[str, list[str]], str]
    echo: bool = False
    negative: bool = False
    fresh_is_clean: bool = True
    switched: Callable[[int], None] = lambda channel: None
    outputs: dict[int, Truth] = field(default_factory=lambda: {1: Truth(), 2: Truth()})
    chosen: int = 1
    last: str = ""

    def open(self, *_: object) -> Wire:
        """As an Opener."""
        if self.odd("open", ["refused"]):
            raise LinkLost("fake", "refused")
        return Wire(self)

    def take(self, text: str) -> list[str]:
        """The replies to one message, which is taken as a whole: somebody at the panel comes before it or after it."""
        if text.startswith("OUTP?") and self.odd("panel", ["other"]):
            self.chosen = 3 - self.chosen
        units = [self.unit(unit.lstrip(":")) for unit in text.split(";")]
        replies = [reply for reply in units if reply is not None]
        return [";".join(replies)] if replies else []

    def unit(self, text: str) -> str | None:
        head, _, value = text.partition(" ")
        if head == "*IDN?":
            return IDENTITY
        asked = head.endswith("?")
        name = head.rstrip("?")
        channel = int(name[-1]) if name[-1].isdigit() else self.chosen
        name = name.rstrip("12")
        if name == "INST":
            if asked:
                return str(self.chosen)
            self.chosen = int(value)
            return None
        output = self.outputs[channel]
        if not asked:
            self.obey(channel, output, name, value)
            return None
        reply = self.say(output, name)
        return f"{head.rstrip('?')} {reply}" if self.echo else reply

    def say(self, output: Truth, name: str) -> str:
        sign = -1 if self.negative else 1
        volts = output.flowing_a * LOAD_OHM
        return {
            "VOLT": f"{sign * output.volts:.3f}",
            "CURR": f"{output.amps:.3f}",
            "OUTP": str(int(output.on)),
            "STAT": str(sum(each.on << (channel - 1) for channel, each in self.outputs.items())),
            "MEAS": f"{sign * volts:.3f},{output.flowing_a:.3f}",
        }[name]

    def obey(self, channel: int, output: Truth, name: str, value: str) -> None:
        if self.odd(f"set-{name}", ["deaf"]):
            return
        if name == "VOLT":
            output.volts = abs(float(value))
        elif name == "CURR":
            output.amps = float(value)
        else:
            if value == "ON":
                self.switched(channel)
            output.on = value == "ON"


class Wire:
    """One connection. Replies come in the order in which they were asked for, each after some more calls."""

    def __init__(self, fake: Fake) -> None:
        self.fresh_is_clean = fake.fresh_is_clean
        self.silence_ns = 0
        self._fake = fake
        self._under_way: list[tuple[int, bytes]] = []

    def send(self, data: bytes, timeout_s: float) -> None:
        fake = self._fake
        self._pass()
        if fake.odd("send", ["lost"]):
            raise LinkLost("fake", "connection lost")
        for line in data.decode("ascii").split("\n")[:-1]:
            for reply in fake.take(line):
                odd = fake.odd("reply", ["late", "later", "much later", "half", "twice", "stale", "none"])
                whole = reply.encode() + b"\n"
                said = {"half": whole[: len(whole) // 2], "twice": 2 * whole, "none": b""}.get(odd, whole)
                if odd == "stale":
                    said = fake.last.encode() + b"\n"
                self._under_way.append(({"late": 1, "later": 3, "much later": 8}.get(odd, 0), said))
                fake.last = reply

    def receive(self, timeout_s: float, asked: bytes, frame: Frame) -> bytes:
        self._pass()
        got = self._arrived()
        size = None
        try:
            size = frame.complete(got)
            if size is not None:
                return body(frame, got, size)
        except ReplyError as error:
            raise garbled("fake", error, asked, 0.0) from error
        raise ReplyLate("fake", "no reply", asked.decode())

    def unread(self, harmless: bytes = b"") -> bool:
        self._pass()
        return bool(self._under_way and self._under_way[0][0] <= 0)

    def drain(self, quiet_s: float, limit_s: float) -> None:
        self._pass()
        self._arrived()

    def close(self) -> None:
        self._under_way.clear()

    def _pass(self) -> None:
        """Time goes on."""
        self._under_way = [(left - 1, said) for left, said in self._under_way]

    def _arrived(self) -> bytes:
        got = b""
        while self._under_way and self._under_way[0][0] <= 0:
            got += self._under_way.pop(0)[1]
        return got
