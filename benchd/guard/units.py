"""Which physical unit answers: the one that the settings name, and none twice.

A unit with another serial number than `serial` in the settings is closed again untouched, and the right one is looked
for at other places. It is not looked for at once where its outputs may be on: there the old place comes first.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import NoReturn, Protocol

from benchd.guard.wire import SupplyConfig
from benchd.supplies.errors import LinkError, SupplyError
from benchd.supplies.profile_link import Named
from benchd.supplies.profile_tables import Profile
from benchd.supplies.supply import Supply

LOOK_AFTER_S = 3.0
"""A unit that was held is looked for elsewhere after failing to answer at its place for so long, s: a hiccup of the
link is over sooner, and looking takes some 3 s in which its place is not tried."""
LOOK_AGAIN_S = 30.0
"""Looking asks whatever is at the other places, so not more often than this, s."""


class WrongUnit(SupplyError):
    """Another unit than the one in the settings, or one that is held under another name already."""


class NotThere(SupplyError):
    """Neither at its place nor at any other."""


class Found(Protocol):
    """What is needed of `benchd.supplies.discovery_relocate.Moved`."""

    @property
    def resource(self) -> str: ...
    @property
    def text(self) -> str: ...


Look = Callable[[SupplyConfig, Profile, str], Found]


class Units:
    """The units that are held, by maker, model and serial number. For any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: dict[tuple[str, ...], str] = {}

    def claim(self, name: str, named: Named | None) -> None:
        """Hold a unit under a name of the settings. Raises WrongUnit where another name has it.

        One without a serial number of its own cannot be told from others, so it is never refused.
        """
        if named is None or not named.serial:
            return
        key = tuple(part.upper() for part in (named.maker, named.model, named.serial))
        with self._lock:
            holder = self._held.setdefault(key, name)
        if holder != name:
            raise WrongUnit(
                f"supplies {holder} and {name} of the settings are one and the same unit: {named.maker} {named.model}, "
                f"serial number {named.serial}. {holder} holds it and {name} is refused; name another resource, or "
                "take one of the two out of the settings and list its outputs as channels of the other"
            )


def check_unit(supply: Supply, config: SupplyConfig) -> None:
    """Raises WrongUnit where the settings name another serial number."""
    if not config.serial:
        return
    from benchd.supplies.discovery_relocate import another_unit  # draws in what finds supplies on a network

    if problem := another_unit(supply.profile, supply.link.identity or "", config.serial):
        raise WrongUnit(f"{config.name}: {supply.link.resource}: {problem}. Nothing was set or switched")


def look_around(config: SupplyConfig, profile: Profile, lock_dir: str) -> Found:
    """The unit with the serial number of the settings, wherever it answers now; nothing is set anywhere."""
    from benchd.supplies.discovery_relocate import relocate

    return relocate(
        config.resource,
        config.serial,
        profile,
        config.timeout_s,
        config.baud_rate,
        config.visa_library,
        lock_dir,
        config.leave_alone,
    )


class Seeker:
    """Looks for one unit where it is not at its place. For the thread of its supply."""

    def __init__(
        self,
        config: SupplyConfig,
        profile: Profile,
        lock_dir: str,
        look: Look = look_around,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._config = config
        self._profile = profile
        self._lock_dir = lock_dir
        self._look = look
        self._clock_s = clock_s
        self._failing_s: float | None = None
        self._looked_s: float | None = None
        self._said = ""

    def there(self) -> None:
        """It answers."""
        self._failing_s = self._looked_s = None
        self._said = ""

    def elsewhere(self, error: LinkError | SupplyError, after_s: float) -> Found:
        """Where it is now. Raises what is known: `error` itself where there is no serial number to look for."""
        if not self._config.serial:
            raise error
        now = self._clock_s()
        self._failing_s = now if self._failing_s is None else self._failing_s
        due = self._looked_s is None or now - self._looked_s >= LOOK_AGAIN_S
        if now - self._failing_s < after_s or not due:
            self._fail(error)
        self._looked_s = now
        found = self._look(self._config, self._profile, self._lock_dir)
        self._said = found.text
        if not found.resource:
            self._fail(error)
        return found

    def _fail(self, error: LinkError | SupplyError) -> NoReturn:
        # One kind of error for one cause: a link that is down is reported once, not with every other attempt.
        kind = WrongUnit if isinstance(error, WrongUnit) else NotThere
        raise kind(f"{error}; {self._said}" if self._said else str(error)) from error
