"""Asking an unknown instrument who it is, without disturbing it.

Nothing but identification queries that shipped profiles name is ever written: no setting, no connect sequence, no
device clear. A place that another process holds, or that talks without being asked, is left alone.
"""

from __future__ import annotations

import contextlib
import functools
import re
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from benchd.scpi.framing import GapFrame
from benchd.supplies.discovery_places import Place
from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, SupplyHeld
from benchd.supplies.lock import SupplyLock
from benchd.supplies.profile import load_profile, profile_names
from benchd.supplies.profile_link import LinkProfile, Named
from benchd.supplies.profile_tables import Profile, ProfileError
from benchd.supplies.wire import Wire, open_wire

DEFAULT_BAUD = 9600
IDLE_MS = 60.0
"""Silence that ends a reply: some supplies send no line end. Twice what a profile waits, since here nobody is waiting
for readings."""
REPLY_GAP_MS = 20.0
"""Some supplies lose a reply that is fetched sooner over USB-TMC or VXI-11 (pyvisa/pyvisa issue 362)."""
LISTEN_S = 0.05
"""Whoever talks without being asked within this is no supply; something older may still be in the buffer, too."""
NOT_IDENTITY = re.compile(r"[^\x20-\x7e\t]")


class Question(NamedTuple):
    """An identification query and its end."""

    query: str
    end: str

    def encoded(self) -> bytes:
        """As it goes over the wire."""
        return (self.query + self.end).encode("ascii")


FIRST = Question("*IDN?", "\n")
"""IEEE 488.2 §10.14; supplies that end no line understand it too."""


class Answer(NamedTuple):
    """What came back. `identity` is empty where nothing came that can be an identification; `text` says why."""

    identity: str
    baud_rate: int | None
    text: str


@functools.cache
def shipped() -> tuple[Profile, ...]:
    """The shipped profiles. One that cannot be used is left out: looking around goes on without it."""
    found = []
    for name in profile_names():
        with contextlib.suppress(ProfileError):
            found.append(load_profile(name))
    return tuple(found)


def questions(resource: str) -> tuple[Question, ...]:
    """What may be asked there, the commonest first: the identification queries of the shipped profiles.

    Where messages have a form of their own (USB-TMC, GPIB, VXI-11, HiSLIP) their end matters little; a socket always
    needs one.
    """
    name = resource.upper()
    serial, stream = name.startswith("ASRL"), name.startswith("ASRL") or name.endswith("::SOCKET")
    named: Counter[Question] = Counter()
    for profile in shipped():
        end = profile.link.write_end if serial or (stream and profile.link.write_end) else FIRST.end
        named[Question(profile.identity.query, end)] += 1
    return tuple(dict.fromkeys([FIRST, *(question for question, _ in named.most_common())]))


def known_bauds() -> tuple[int, ...]:
    """Every rate that a shipped profile names, the commonest first."""
    rates: Counter[int] = Counter()
    for profile in shipped():
        port = profile.link.serial
        rates.update({port.baud_rate, *port.baud_rates})
    return tuple(rate for rate, _ in rates.most_common())


def fitting_profiles(identity: str) -> tuple[str, ...]:
    """Shipped profiles for an identification, those made for it before generic ones.

    A generic one takes only what has the form of IEEE 488.2 §10.14, maker and model with a comma between: else it would
    fit whatever a printer or a modem says.
    """
    fitting = [profile for profile in shipped() if profile.identity_fits(identity)]
    if not re.match(r"\s*[A-Za-z][^,]*,\s*\w", identity):
        fitting = [profile for profile in fitting if not profile.takes_any]
    return tuple(profile.name for profile in sorted(fitting, key=lambda profile: profile.takes_any))


def named(identity: str) -> Named:
    """Maker, model, serial number and firmware, as the best fitting profile reads them; all empty where none does."""
    for name in fitting_profiles(identity):
        found = load_profile(name).identity.named(identity)
        if found is not None:
            return found
    return Named("", "", "", "")


def ask(
    place: Place,
    bauds: Sequence[int] = (DEFAULT_BAUD,),
    timeout_s: float = 0.5,
    library: str = "@py",
    lock_dir: str | Path | None = None,
    profile: Profile | None = None,
) -> Answer:
    """Ask one place who it is; at each of `bauds` where it is a serial port, until an answer makes sense.

    `lock_dir`: where supplies are locked; the place is held while it is asked, and left alone when somebody else holds
    it. `profile`: ask in the way of this one only. Never raises for what the place does or does not do.
    """
    held: SupplyLock | None = None
    try:
        if lock_dir is not None:
            held = SupplyLock(lock_dir, place.resource, "somebody who looks for supplies")
        answer = Answer("", None, "")
        for baud in bauds if place.kind == "serial" else (None,):
            answer = _ask_at(place.resource, baud, timeout_s, library, profile)
            if answer.identity:
                break
        return answer
    except SupplyHeld as error:
        return Answer("", None, f"not asked: {error}")
    except OSError as error:
        return Answer("", None, f"not asked: its lock cannot be taken: {error}")
    finally:
        if held is not None:
            held.release()


def _ask_at(resource: str, baud: int | None, timeout_s: float, library: str, profile: Profile | None) -> Answer:
    link = LinkProfile(reply_gap_ms=REPLY_GAP_MS) if profile is None else profile.link
    try:
        wire = open_wire(resource, link, timeout_s, baud, library)
    except LinkError as error:
        return Answer("", baud, _without(resource, str(error)))
    try:
        if _talks(wire):
            return Answer("", baud, "not asked: it talks without being asked, so it is no supply that is known here")
        own = () if profile is None else (Question(profile.identity.query, link.write_end),) * profile.identity.attempts
        return _first_answer(wire, resource, baud, timeout_s, own or questions(resource))
    except LinkError as error:
        return Answer("", baud, _without(resource, str(error)))
    finally:
        wire.close()


def _talks(wire: Wire) -> bool:
    if wire.fresh_is_clean:
        return False
    time.sleep(LISTEN_S)
    if not wire.unread():
        return False
    wire.drain(LISTEN_S, 4 * LISTEN_S)
    time.sleep(LISTEN_S)
    return wire.unread()


def _first_answer(wire: Wire, resource: str, baud: int | None, timeout_s: float, to_ask: Sequence[Question]) -> Answer:
    at = f" at {baud} baud" if baud else ""
    said = f"no reply to {', '.join(dict.fromkeys(question.query for question in to_ask))}{at}"
    for question in to_ask:
        try:
            wire.send(question.encoded(), timeout_s)
            reply = wire.receive(timeout_s, question.encoded(), GapFrame(IDLE_MS)).decode("latin-1")
        except LinkLost:
            raise
        except ReplyGarbled as error:
            return Answer("", baud, _without(resource, str(error)))
        except LinkError:
            continue
        identity = clean_identity(reply)
        if identity:
            return Answer(identity, baud, "")
        # Something is there and does not understand: asking on would only fill its error queue, or its print queue.
        return Answer("", baud, f"answers {reply[:80]!r} to {question.query}{at}, which is no identification")
    return Answer("", baud, said)


def clean_identity(reply: str) -> str:
    """A reply as an identification, stripped; empty when it can be none.

    It is one line of text that a shipped profile knows, so neither an echo, nor an error text, nor what bytes at a
    wrong baud rate look like.
    """
    # One stray byte may follow (source keys SIG, QMI: 01h or BCh after the text of some serial supplies).
    text = reply.strip().rstrip("\x00\x01\xbc").strip()
    if NOT_IDENTITY.search(text) or FIRST.query in text:
        return ""
    return text if fitting_profiles(text) else ""


def _without(resource: str, text: str) -> str:
    """A fault begins with the place it is about, which stands in front already."""
    return text.removeprefix(resource).lstrip(" :")
