"""A supply made of a dialogue: it answers what was recorded, in that order, and nothing else. It opens no socket."""

from __future__ import annotations

import contextlib

import msgspec

from benchd.scpi.framing import Frame
from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.profile_link import LinkProfile
from benchd.supplies.profile_tables import Profile
from benchd.supplies.received import body, text
from benchd.supplies.recording_text import Dialogue, Entry, shown


class OffScript(Exception):
    """What is done is not what is recorded; shows both. No LinkError, so that nobody handles it as a fault."""


class Replay:
    """The supply. `open` is the opener of a link; `step` says which step begins, and `finish` that all is done."""

    def __init__(self, dialogue: Dialogue) -> None:
        self.dialogue = dialogue
        self._step = -1
        self._at = 0

    def open(
        self, resource: str, profile: LinkProfile, timeout_s: float, baud_rate: int | None, library: str, /
    ) -> ReplayWire:
        """A connection that goes on where the last one ended."""
        if self.happens("unopened"):
            raise LinkLost(resource, "cannot be opened (recorded)")
        return ReplayWire(self, resource)

    def step(self, name: str) -> None:
        """The next step begins. Raises OffScript where the last one is not done, or another one was recorded."""
        if self.next is not None:
            raise self.off(f"step {name} begins")
        recorded = self.dialogue.steps[self._step + 1 :]
        if not recorded or recorded[0].name != name:
            raise self.off(f"step {name} begins", f"step {recorded[0].name}" if recorded else "the end")
        self._step, self._at = self._step + 1, 0

    def finish(self) -> None:
        """Raises OffScript where something recorded was not done."""
        if self.next is not None:
            raise self.off("the end")
        if self._step + 1 < len(self.dialogue.steps):
            raise self.off("the end", f"step {self.dialogue.steps[self._step + 1].name}")

    # ---- for the wire ----------------------------------------------------------------------------------------

    @property
    def next(self) -> Entry | None:
        """What is recorded next in this step."""
        entries = self.dialogue.steps[self._step].entries if self._step >= 0 else ()
        return entries[self._at] if self._at < len(entries) else None

    def take(self, kind: str) -> bytes | None:
        """The data of the next entry if it is of this kind."""
        entry = self.next
        if entry is None or entry.kind != kind:
            return None
        self._at += 1
        return entry.data

    def happens(self, event: str) -> bool:
        """Whether this event is recorded next; it is over then."""
        entry = self.next
        return entry is not None and entry.data == event.encode() and self.take("!") is not None

    def off(self, done: str, recorded: str = "") -> OffScript:
        """The exception for what was not recorded."""
        entry = self.next
        if not recorded:
            told = f"{entry.kind} {shown(entry.data)}  # {entry.comment}" if entry else "the end of the step"
            recorded = told.removesuffix("  # ")
        name = self.dialogue.steps[self._step].name if self._step >= 0 else "none"
        return OffScript(f"{self.dialogue.profile}, step {name}: {done}, recorded next: {recorded}")


class ReplayWire:
    """One connection to a replayed supply."""

    def __init__(self, replay: Replay, resource: str) -> None:
        self.fresh_is_clean = replay.dialogue.link == "socket"
        self.silence_ns = 0
        self._replay = replay
        self._resource = resource

    def send(self, data: bytes, timeout_s: float) -> None:
        left = data
        while left:
            entry = self._replay.next
            if entry is None or entry.kind != ">" or not left.startswith(entry.data):
                raise self._replay.off(f"> {shown(left)}")
            self._replay.take(">")
            left = left[len(entry.data) :]
        if self._replay.happens("unsent"):
            raise LinkLost(self._resource, "connection lost (recorded)", text(data))

    def receive(self, timeout_s: float, asked: bytes, frame: Frame) -> bytes:
        got = b""
        while (piece := self._replay.take("<")) is not None:
            got += piece
        with contextlib.suppress(ReplyError):
            frame.complete(got)  # a frame sees half a reply too
        events: tuple[tuple[str, type[LinkError]], ...] = (
            ("late", ReplyLate), ("garbled", ReplyGarbled), ("lost", LinkLost)
        )  # fmt: skip
        for event, error in events:
            if self._replay.happens(event):
                raise error(self._resource, f"{event}, with {got[:80]!r} (recorded)", text(asked))
        if not got:
            raise self._replay.off(f"waits for the reply to {shown(asked)}")
        # A bus marks the end of a message, which shows in no byte; a document that leaves out the end is wrong.
        quiet = bool(frame.idle_ms) or self._replay.dialogue.origin != "documents"
        try:
            size = frame.complete(got)
            size = frame.complete(got, True) if size is None and quiet else size
            if size is not None:
                return body(frame, got, size)
        except ReplyError as error:
            raise self._replay.off(f"< {shown(got)} is not {error.expected}") from error
        raise self._replay.off(f"< {shown(got)} has no end")

    def unread(self, harmless: bytes = b"") -> bool:
        if self._replay.happens("lost"):
            raise LinkLost(self._resource, "the other side closed the connection (recorded)")
        return self._replay.happens("unread")

    def drain(self, quiet_s: float, limit_s: float) -> None:
        if self._replay.happens("lost"):
            raise LinkLost(self._resource, "connection lost (recorded)")

    def close(self) -> None:
        """Nothing is open."""


def without_rests(profile: Profile) -> Profile:
    """The profile for a replay: nobody needs the rests between messages, and with them OFF may be repeated."""
    link = profile.link
    rests = {name: 0.0 for name in link.__struct_fields__ if name.endswith("gap_ms")}
    serial = msgspec.structs.replace(link.serial, gap_ms=0.0)
    return msgspec.structs.replace(profile, link=msgspec.structs.replace(link, serial=serial, **rests))
