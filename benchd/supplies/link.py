"""A link: messages out, replies in, and never yesterday's reply for today's question.

After a late, missing or garbled reply the link is dirty: some reply may still be under way. The next query then
first makes it clean, and the same happens when bytes are waiting that nobody asked for:

* a socket is closed and opened again: what was under way belongs to the old connection;
* a port is read until it is quiet;
* then the instrument is asked for its identification, and the answer must be the one it gave before. Instruments
  answer in the order they were asked (IEEE 488.2 §6), so with that answer everything older has come by.

A lost link repairs itself in the same way, so whoever retries a call after `LinkLost` tries to open it again.
"""

from __future__ import annotations

import re
import time

from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.profile_tables import LinkProfile
from benchd.supplies.wire import Wire, open_wire

__all__ = ["Link", "LinkError", "LinkLost", "ReplyGarbled", "ReplyLate"]

QUIET_S = 0.02
"""A port that brings nothing for this long is quiet. Twenty characters at 9600 baud."""
LOOKS_LIKE_IDENTITY = re.compile(r"\s*[A-Za-z][^,]*,")
"""Where no earlier one is known to compare with: a maker and a comma, which no number or state word has."""


class Link:
    """One connection to one instrument, for one thread.

    `timeout_s`: the time that opening, writing or one reply may take, s; may be changed at any time.
    `identity`: the reply that `identify` got; a reopened link must give it again.
    `resyncs`: how often the link was made clean.
    `sent_ns`, `got_ns`: `time.monotonic_ns()` before the last query was written and after its reply was read.
    """

    def __init__(
        self, resource: str, profile: LinkProfile, timeout_s: float, baud_rate: int | None, library: str
    ) -> None:
        self.resource = resource
        self.timeout_s = timeout_s
        self.identity: str | None = None
        self.dirty = False
        self.resyncs = 0
        self.sent_ns = 0
        self.got_ns = 0
        self._profile = profile
        self._baud_rate = baud_rate
        self._library = library
        self._end = profile.write_end.encode()
        serial = resource.upper().startswith("ASRL")
        self._gap_ns = int((max(profile.gap_ms, profile.serial.gap_ms) if serial else profile.gap_ms) * 1e6)
        self._set_gap_ns = max(self._gap_ns, int(profile.after_set_ms * 1e6))
        self._ready_ns = 0
        self._wire: Wire | None = None

    @classmethod
    def open(
        cls, resource: str, profile: LinkProfile, timeout_s: float, baud_rate: int | None = None, library: str = "@py"
    ) -> Link:
        """Open a VISA resource and send the profile's connect commands. Raises LinkLost."""
        link = cls(resource, profile, timeout_s, baud_rate, library)
        link._connect()
        return link

    def encode(self, text: str) -> bytes:
        """A message as it goes over the wire, for `exchange`, `send` and `send_now`."""
        return text.encode("ascii") + self._end

    def query(self, text: str) -> str:
        """Ask and return the reply without its end. Raises LinkError."""
        return self.exchange(self.encode(text)).decode("latin-1")

    def write(self, text: str) -> None:
        """Send a message that has no reply. Raises LinkError."""
        self.send(self.encode(text))

    def exchange(self, data: bytes) -> bytes:
        """`query` on an encoded message: the reading path, so it does nothing twice."""
        wire = self._wire
        try:
            if self.dirty or wire is None or wire.unread():
                wire = self._cleaned()
            return self._ask(wire, data)
        except LinkLost:
            self._drop()
            raise

    def send(self, data: bytes) -> None:
        """`write` on an encoded message."""
        wire = self._wire if self._wire is not None else self._cleaned()
        self._wait_gap()
        try:
            wire.send(data, self.timeout_s)
        except LinkError:
            self._drop()
            raise
        self._ready_ns = time.monotonic_ns() + self._set_gap_ns

    def send_now(self, data: bytes) -> None:
        """Write at once whatever the state of the link, opening it again if it is lost. Raises LinkLost.

        The gap between messages is not waited for; where one is running, the message is repeated after it, as an
        instrument that needs gaps may have missed the first. So `data` must be harmless to repeat.
        """
        if not self._sent_on_present_wire(data):
            self._drop()
            self._connect().send(data, self.timeout_s)
        if self._ready_ns > time.monotonic_ns():
            self.send(data)

    def identify(self) -> str:
        """Ask for the identification and remember it. Raises LinkError."""
        self.identity = self.query(self._profile.identify)
        return self.identity

    def garbled(self, error: ReplyError) -> ReplyGarbled:
        """A reply came whole but made no sense: the link is dirty; returns the exception to raise."""
        self.dirty = True
        return ReplyGarbled(self.resource, str(error), error.asked, (self.got_ns - self.sent_ns) / 1e6)

    def resync(self) -> None:
        """Make the link clean now. Raises LinkError, and then the next query tries again."""
        try:
            self._cleaned()
        except LinkLost:
            self._drop()
            raise

    def make_ready(self) -> None:
        """Make the link clean if it is not: before messages that belong together, so none comes in between."""
        if self.dirty or self._wire is None:
            self.resync()

    def close(self) -> None:
        """Send the close commands if the link is in order, then close. Never raises."""
        try:
            for text in self._profile.close if self._wire is not None and not self.dirty else ():
                self.write(text)
        except LinkError:
            pass  # closing anyway
        self._drop()

    # ---- inside ----------------------------------------------------------------------------------------------

    def _ask(self, wire: Wire, data: bytes) -> bytes:
        if self._gap_ns:
            self._wait_gap()
        self.dirty = True  # until the reply is in
        self.sent_ns = time.monotonic_ns()
        try:
            wire.send(data, self.timeout_s)
            reply = wire.receive(self.timeout_s, data)
        finally:
            self.got_ns = time.monotonic_ns()
            self._ready_ns = self.got_ns + self._gap_ns
        self.dirty = False
        return reply

    def _cleaned(self) -> Wire:
        """A wire on which the next line is the answer to the next question."""
        self.resyncs += 1
        wire = self._wire
        if wire is None or wire.fresh_is_clean:
            self._drop()
            wire = self._connect()
        if not wire.fresh_is_clean:
            wire.drain(QUIET_S, self.timeout_s)
        try:
            self._check_identity(wire)
        except ReplyGarbled:
            if wire.fresh_is_clean:
                raise
            wire.drain(QUIET_S, self.timeout_s)  # an old reply came first, so now they are through
            self._check_identity(wire)
        return wire

    def _check_identity(self, wire: Wire) -> None:
        reply = self._ask(wire, self.encode(self._profile.identify)).decode("latin-1")
        if not wire.fresh_is_clean:
            # A second answer would mean that the first was an old one, to an identification asked before.
            wire.drain(QUIET_S, self.timeout_s)
        if reply == self.identity or (self.identity is None and LOOKS_LIKE_IDENTITY.match(reply)):
            return
        self.dirty = True
        what = f"expected the identification {self.identity or ''!r}, got {reply[:80]!r}"
        raise ReplyGarbled(self.resource, what, self._profile.identify, (self.got_ns - self.sent_ns) / 1e6)

    def _connect(self) -> Wire:
        self._wire = wire = open_wire(self.resource, self._profile, self.timeout_s, self._baud_rate, self._library)
        self.dirty = not wire.fresh_is_clean
        try:
            for text in self._profile.connect:
                self.send(self.encode(text))
        except LinkError:
            self._drop()
            raise
        return wire

    def _sent_on_present_wire(self, data: bytes) -> bool:
        if self._wire is None:
            return False
        try:
            self._wire.unread()  # a write to a socket that the other side closed would seem to succeed
            self._wire.send(data, self.timeout_s)
        except LinkError:
            return False
        return True

    def _drop(self) -> None:
        if self._wire is not None:
            self._wire.close()
            self._wire = None

    def _wait_gap(self) -> None:
        left_ns = self._ready_ns - time.monotonic_ns()
        if left_ns > 0:
            time.sleep(left_ns / 1e9)
