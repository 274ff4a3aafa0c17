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

import dataclasses
import re
import time
from collections.abc import Callable

from benchd.scpi.framing import EndFrame, Frame, GapFrame
from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import AnotherUnit, LinkError, LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.profile_link import LinkProfile
from benchd.supplies.wire import Opener, Wire, open_wire

__all__ = ["Identify", "Link", "LinkError", "LinkLost", "ReplyGarbled", "ReplyLate"]

QUIET_S = 0.02
"""A port that brings nothing for this long is quiet. Twenty characters at 9600 baud."""
LINE_ENDS = b"\r\n"


def names_a_maker(reply: str) -> bool:
    """Whether a reply begins with a word and a comma, as no number and no state does."""
    return re.match(r"\s*[A-Za-z][^,]*,", reply) is not None


@dataclasses.dataclass(frozen=True, slots=True)
class Identify:
    """How an instrument is asked who it is.

    `frame`: of the reply, None for the usual one of the link. `attempts`: how often to ask on opening, as half a
    command of somebody else's may stand in the instrument's input. `looks`: whether a reply can be an
    identification, for the times when no earlier one is known to compare with.
    """

    query: str = "*IDN?"
    frame: Frame | None = None
    attempts: int = 1
    looks: Callable[[str], bool] = names_a_maker


class Link:
    """One connection to one instrument, for one thread.

    `timeout_s`: the time that opening, writing or one reply may take, s; may be changed at any time. It begins with
    what is given, or with what the profile's slowest reply takes if that is longer.
    `identity`: the reply that `identify` got; a reopened link must give it again.
    `resyncs`: how often the link was made clean.
    `sent_ns`, `got_ns`: `time.monotonic_ns()` before the last query was written and after its reply was read.
    """

    def __init__(
        self,
        resource: str,
        profile: LinkProfile,
        timeout_s: float,
        baud_rate: int | None,
        library: str,
        identify: Identify,
        opener: Opener | None = None,
    ) -> None:
        self.resource = resource
        self.timeout_s = max(timeout_s, profile.slowest_reply_ms / 1e3)
        self.identity: str | None = None
        self.dirty = False
        self.resyncs = 0
        self.sent_ns = 0
        self.got_ns = 0
        self._profile = profile
        self._baud_rate = baud_rate
        self._library = library
        self._identify = identify
        self._opener = opener
        self._end = profile.write_end.encode()
        self._frame = usual_frame(profile)
        self._harmless = LINE_ENDS if profile.skip_leading_ends else b""
        serial = resource.upper().startswith("ASRL")
        self._gap_ns = int((max(profile.gap_ms, profile.serial.gap_ms) if serial else profile.gap_ms) * 1e6)
        self._set_gap_ns = max(self._gap_ns, int(profile.set_gap_ms * 1e6))
        self._connect_gap_ns = max(self._gap_ns, int(profile.connect_gap_ms * 1e6))
        self._ready_ns = 0
        self._to_drop = 0
        self._reopen = False
        self._unasked = False  # nothing was asked on this wire yet
        self._wire: Wire | None = None

    @classmethod
    def open(
        cls,
        resource: str,
        profile: LinkProfile,
        timeout_s: float,
        baud_rate: int | None = None,
        library: str = "@py",
        identify: Identify = Identify(),
        opener: Opener | None = None,
    ) -> Link:
        """Open a VISA resource and send the profile's connect commands. Raises LinkLost.

        `opener`: opens the connections instead of `open_wire`, for recordings.
        """
        link = cls(resource, profile, timeout_s, baud_rate, library, identify, opener)
        link._connect()
        return link

    def encode(self, text: str) -> bytes:
        """A message as it goes over the wire, for `exchange`, `send` and `send_now`."""
        return text.encode("ascii") + self._end

    def query(self, text: str, frame: Frame | None = None, gap_ns: int | None = None) -> str:
        """Ask and return the reply without its end. Raises LinkError."""
        return self.exchange(self.encode(text), frame, gap_ns).decode("latin-1")

    def write(self, text: str, gap_ns: int | None = None) -> None:
        """Send a message that has no reply. Raises LinkError."""
        self.send(self.encode(text), gap_ns)

    def exchange(self, data: bytes, frame: Frame | None = None, gap_ns: int | None = None) -> bytes:
        """`query` on an encoded message: the reading path, so it does nothing twice.

        `frame`: how the reply ends, None for the profile's usual way. `gap_ns`: rest after the reply; the link's
        own gap is kept in any case.
        """
        wire = self._wire
        if self._ready_ns:
            self._wait_gap()  # before looking for unread bytes, so that those which come meanwhile are seen
        try:
            if self.dirty or wire is None or self._to_drop or wire.unread(self._harmless):
                wire = self._cleaned()
            return self._ask(wire, data, frame or self._frame, gap_ns)
        except LinkLost:
            self._drop()
            raise
        except (ReplyLate, ReplyGarbled):
            self._reopen = self._profile.reconnect_after_error
            raise

    def send(self, data: bytes, gap_ns: int | None = None) -> None:
        """`write` on an encoded message. `gap_ns`: rest after it, None for that after a setting."""
        wire = self._wire if self._wire is not None else self._cleaned()
        self._wait_gap()
        try:
            wire.send(data, self.timeout_s)
        except LinkError:
            self._drop()
            raise
        self._rest(self._set_gap_ns if gap_ns is None else max(gap_ns, self._gap_ns))

    def send_now(self, data: bytes, gap_ns: int | None = None, again: bool = True) -> None:
        """Write at once whatever the state of the link, opening it again if it is lost. Raises LinkLost.

        The gap between messages is not waited for; where one is running, the message is repeated after it, as an
        instrument that needs gaps may have missed the first. So `data` must be harmless to repeat. `again` False: the
        caller repeats it. `gap_ns`: rest after it, None for that after a setting; twice after a repetition, since an
        instrument that missed nothing has two to work on.
        """
        if not self._sent_on_present_wire(data):
            self._drop()
            self._connect().send(data, self.timeout_s)
            self.dirty = True  # whoever answers there now may be another one
        now_ns = time.monotonic_ns()
        rest_ns = self._set_gap_ns if gap_ns is None else max(gap_ns, self._gap_ns)
        if self._ready_ns <= now_ns:
            self._rest(rest_ns)
            return
        self._ready_ns = max(self._ready_ns, now_ns + self._gap_ns)
        if again:
            self.send(data, 2 * rest_ns)

    def identify(self) -> str:
        """Ask for the identification and remember it. Raises LinkError.

        Where no attempt brings what looks like one, the last reply is given as it is: the caller tells what is wrong.
        """
        reply = None
        for left in reversed(range(self._identify.attempts)):
            try:
                reply = self.query(self._identify.query, self._identify.frame)
            except (ReplyLate, ReplyGarbled):
                if not left and reply is None:
                    raise
                continue
            if self._identify.looks(reply):
                break
            self.dirty = left > 0  # an error text: more of it may be under way
        assert reply is not None
        self.identity = reply
        return reply

    def garbled(self, error: ReplyError) -> ReplyGarbled:
        """A reply came whole but made no sense: the link is dirty; returns the exception to raise."""
        self.dirty = True
        self._reopen = self._profile.reconnect_after_error
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

    def expect(self, identity: str | None) -> None:
        """Whoever answers must give this identification before it is believed; None: one that looks right."""
        self.identity = identity
        self.dirty = True

    @property
    def in_order(self) -> bool:
        """It is open, and no reply is under way."""
        return self._wire is not None and not self.dirty

    def close(self) -> None:
        """Send the close commands if the link is in order, then close. Never raises."""
        try:
            for text in self._profile.close if self.in_order else ():
                self.write(text)
        except LinkError:
            pass  # closing anyway
        self._drop()

    # ---- inside ----------------------------------------------------------------------------------------------

    def _ask(self, wire: Wire, data: bytes, frame: Frame, gap_ns: int | None = None) -> bytes:
        if self._ready_ns:
            self._wait_gap()
        self.dirty = True  # until the reply is in
        self._unasked = False
        self.sent_ns = time.monotonic_ns()
        try:
            wire.send(data, self.timeout_s)
            reply = wire.receive(self.timeout_s, data, frame)
        finally:
            self.got_ns = time.monotonic_ns()
            if wire.silence_ns:
                self.got_ns -= wire.silence_ns
                wire.silence_ns = 0
            self._rest(self._gap_ns if gap_ns is None else max(gap_ns, self._gap_ns), self.got_ns)
        self.dirty = False
        return reply

    def _cleaned(self) -> Wire:
        """A wire on which the next reply is the answer to the next question."""
        self.resyncs += 1
        wire = self._wire
        # A socket on which nothing was asked yet is as good as a new one; and an OFF may just have gone out on it.
        if wire is None or self._reopen or (wire.fresh_is_clean and not self._unasked):
            self._drop()
            wire = self._connect()
        self._reopen = False
        if not wire.fresh_is_clean:
            wire.drain(QUIET_S, self.timeout_s)
        while self._to_drop:
            self._to_drop -= 1
            self._ask_in_vain(wire)
        try:
            self._check_identity(wire)
        except ReplyGarbled:
            if wire.fresh_is_clean:
                raise
            wire.drain(QUIET_S, self.timeout_s)  # an old reply came first, so now they are through
            self._check_identity(wire)
        return wire

    def _ask_in_vain(self, wire: Wire) -> None:
        try:
            self._ask(wire, self.encode(self._identify.query), self._identify.frame or self._frame)
        except (ReplyLate, ReplyGarbled):
            wire.drain(QUIET_S, self.timeout_s)

    def _check_identity(self, wire: Wire) -> None:
        asked = self.encode(self._identify.query)
        reply = self._ask(wire, asked, self._identify.frame or self._frame).decode("latin-1")
        if not wire.fresh_is_clean or self._profile.drop_first:
            # A second answer would mean that the first was an old one, to an identification asked before. It would
            # follow within about the time that this one took.
            trip_s = (self.got_ns - self.sent_ns) / 1e9
            wire.drain(max(QUIET_S, 2 * trip_s), self.timeout_s)
        if reply == self.identity or (self.identity is None and self._identify.looks(reply)):
            return
        self.dirty = True
        if self.identity is None:
            what = f"got {reply[:80]!r}, which is no identification of the profile's family; choose another profile"
        else:
            what = f"expected the identification {self.identity!r}, got {reply[:80]!r}"
        kind = AnotherUnit if self.identity is not None and self._identify.looks(reply) else ReplyGarbled
        raise kind(self.resource, what, self._identify.query, (self.got_ns - self.sent_ns) / 1e6)

    def _connect(self) -> Wire:
        opener = self._opener or open_wire
        self._wire = wire = opener(self.resource, self._profile, self.timeout_s, self._baud_rate, self._library)
        self.dirty = not wire.fresh_is_clean
        self._unasked = True
        self._to_drop = self._profile.drop_first
        try:
            for text in self._profile.connect:
                self.send(self.encode(text), self._connect_gap_ns)
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

    def _rest(self, gap_ns: int, since_ns: int = 0) -> None:
        self._ready_ns = (since_ns or time.monotonic_ns()) + gap_ns if gap_ns else 0

    def _wait_gap(self) -> None:
        left_ns = self._ready_ns - time.monotonic_ns()
        if left_ns > 0:
            time.sleep(left_ns / 1e9)


def usual_frame(profile: LinkProfile) -> Frame:
    """How replies end where a query says nothing else. Raises ValueError for a profile without any end."""
    if profile.frame == "gap":
        return GapFrame(profile.idle_ms)
    return EndFrame(profile.read_end.encode(), skip_leading=profile.skip_leading_ends)
