"""Recording what goes over the wire, without slowing a link that is not recorded.

`Recorder.open` is put in where a link opens its connections (`opener` of `Link.open`); the wires it
opens are written down as a dialogue (`recording_text.py`) in which no unit can be recognised.
"""

from __future__ import annotations

import re
from pathlib import PurePath

from benchd.scpi.framing import Frame
from benchd.supplies.errors import LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.profile_link import LinkProfile, Named, bare
from benchd.supplies.recording_text import Dialogue, Entry, Kind, LinkKind, Origin, Step, lines_of
from benchd.supplies.wire import Opener, Wire, open_wire

REDACTED = "SERIAL"
SHORT_SERIAL = 5
"""Characters. A shorter serial number may also be a number in a reading, so it is only replaced where the unit names
itself."""
LONGEST_REPEAT = 8
"""Messages that are looked through for a repeat."""


class Recorder:
    """Writes down one supply's exchanges, for one thread.

    A message that is repeated right behind itself, with nothing in between, is written once: OFF is repeated when a
    rest is running (`Link.send_now`), and whether one is depends on the pace of the day.
    """

    def __init__(self, opener: Opener = open_wire) -> None:
        self._opener = opener
        self._steps: list[tuple[str, list[Entry]]] = []
        self._link: LinkKind = "socket"

    def step(self, name: str) -> None:
        """What follows belongs to this step. A step in which nothing was said is kept too."""
        self._steps.append((name, []))

    @property
    def present(self) -> list[Entry]:
        """What was said since the last `step`, unredacted."""
        return self._steps[-1][1]

    def open(
        self, resource: str, profile: LinkProfile, timeout_s: float, baud_rate: int | None, library: str, /
    ) -> RecordingWire:
        """As `open_wire`, and recorded."""
        try:
            wire = self._opener(resource, profile, timeout_s, baud_rate, library)
        except LinkLost:
            self.note("!", b"unopened")
            raise
        self._link = "socket" if wire.fresh_is_clean else "port"
        return RecordingWire(wire, self)

    def note(self, kind: Kind, data: bytes) -> None:
        """Write down what was sent, received or happened."""
        if not self._steps:
            self.step("connect")
        entries = self.present
        for piece in lines_of(data):
            entries.append(Entry(kind, piece))
            if kind == ">":
                _drop_repeat(entries)

    def dialogue(self, profile: str, origin: Origin, identity: str, named: Named, channel: int) -> Dialogue:
        """All of it. `identity`, `named`: what the unit says who it is, whose serial number is redacted everywhere."""
        steps = (
            Step(name, tuple(entry._replace(data=redacted(entry.data, identity, named.serial)) for entry in entries))
            for name, entries in self._steps
        )
        said = redacted(bare(identity).encode("latin-1"), identity, named.serial).decode("latin-1")
        return Dialogue(profile, origin, said, channel, tuple(steps), self._link)


def _drop_repeat(entries: list[Entry]) -> None:
    for size in range(1, LONGEST_REPEAT + 1):
        last = entries[-size:]
        if any(entry.kind != ">" for entry in last):
            return
        if entries[-2 * size : -size] == last:
            del entries[-size:]
            return


def redacted(data: bytes, identity: str, serial: str) -> bytes:
    """Bytes in which the serial number is replaced, in whatever case it stands.

    `identity`: the reply in which a short serial number is replaced; it stays where it is elsewhere.
    """
    names_itself = bare(data.decode("latin-1")) == bare(identity)
    if not serial or (len(serial) < SHORT_SERIAL and not names_itself):
        return data
    pattern = re.escape(serial.encode("latin-1"))
    if len(serial) < SHORT_SERIAL:
        pattern = rb"(?<![0-9A-Za-z.-])" + pattern + rb"(?![0-9A-Za-z.-])"
    return re.sub(pattern, REDACTED.encode(), data, flags=re.IGNORECASE)


def recording_path(dialogue: Dialogue, named: Named) -> PurePath:
    """`<profile>/<model>_<firmware>_<origin>.txt`; `named`: what the profile makes of the dialogue's identity."""
    model, firmware = (re.sub(r"[^A-Za-z0-9.+-]+", "-", text).strip("-.") or "unknown" for text in named[1::2])
    return PurePath(dialogue.profile) / f"{model}_{firmware}_{dialogue.origin}.txt"


class RecordingWire:
    """A wire that passes everything on and tells the recorder."""

    def __init__(self, wire: Wire, recorder: Recorder) -> None:
        self.fresh_is_clean = wire.fresh_is_clean
        self.silence_ns = 0
        self._wire = wire
        self._recorder = recorder

    def send(self, data: bytes, timeout_s: float) -> None:
        self._recorder.note(">", data)
        try:
            self._wire.send(data, timeout_s)
        except LinkLost:
            self._recorder.note("!", b"unsent")
            raise

    def receive(self, timeout_s: float, asked: bytes, frame: Frame) -> bytes:
        heard = _HeardFrame(frame)
        event = b""
        try:
            return self._wire.receive(timeout_s, asked, heard)
        except ReplyLate:
            event = b"late"
            raise
        except ReplyGarbled:
            event = b"garbled"
            raise
        except LinkLost:
            event = b"lost"
            raise
        finally:
            self.silence_ns, self._wire.silence_ns = self._wire.silence_ns, 0
            self._recorder.note("<", heard.got)
            self._recorder.note("!", event)

    def unread(self, harmless: bytes = b"") -> bool:
        try:
            waiting = self._wire.unread(harmless)
        except LinkLost:
            self._recorder.note("!", b"lost")
            raise
        if waiting:
            self._recorder.note("!", b"unread")
        return waiting

    def drain(self, quiet_s: float, limit_s: float) -> None:
        """What is thrown away is not written down: how much of it there is depends on the moment."""
        try:
            self._wire.drain(quiet_s, limit_s)
        except LinkLost:
            self._recorder.note("!", b"lost")
            raise

    def close(self) -> None:
        self._wire.close()


class _HeardFrame:
    """A frame that keeps what it was shown: the bytes with all that frames them, also of half a reply."""

    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        self.idle_ms = frame.idle_ms
        self.longest = frame.longest
        self.got = b""

    def complete(self, got: bytes, quiet: bool = False) -> int | None:
        self.got = got
        return self._frame.complete(got, quiet)

    def body(self, got: bytes) -> bytes:
        return self._frame.body(got)
