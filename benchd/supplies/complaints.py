"""What an instrument says about errors: a queue, or registers, drained with a bound."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.scpi import reply, status
from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import ReplyGarbled, ReplyLate

if TYPE_CHECKING:
    from benchd.supplies.profile_tables import ErrorQueue
    from benchd.supplies.supply import Supply


class Complaints:
    """The error queue or registers of one supply. Those found before a power-on are kept until somebody asks."""

    def __init__(self, supply: Supply) -> None:
        self._supply = supply
        self._earlier: list[tuple[int, str]] = []
        errors = supply.profile.errors
        self._exists = errors is not None and errors.query != ()
        self._to_probe = self._exists and errors is not None and errors.probe

    @property
    def exist(self) -> bool:
        """Whether the instrument says anything about errors."""
        return self._exists

    def probe(self) -> None:
        """Once: find out whether this unit has what its family may have. Raises LinkError for a lost link only."""
        if not self._to_probe:
            return
        self._to_probe = False
        try:
            self._earlier += self.drain()
        except (ReplyLate, ReplyGarbled):
            self._exists = False
            self._supply.link.resync()

    def take(self) -> list[tuple[int, str]]:
        """The earlier ones, once."""
        found, self._earlier = self._earlier, []
        return found

    def set_aside(self) -> None:
        """What is there now was there before: keep it for `take`."""
        self._earlier += self.drain()

    def drain(self) -> list[tuple[int, str]]:
        """All that is there now, oldest first."""
        if not self._exists:
            return []
        errors = self._supply.profile.errors
        assert errors is not None
        queries = (errors.query,) if isinstance(errors.query, str) else errors.query
        return [entry for query in queries for entry in self._drained(query, errors)]

    def _drained(self, query: str, errors: ErrorQueue) -> list[tuple[int, str]]:
        supply = self._supply
        is_register = errors.form == "number"
        asked = supply.link.encode(query)
        found: list[tuple[int, str]] = []
        for _ in range(1 if is_register else errors.most):
            text = supply.link.exchange(asked).decode("latin-1")
            try:
                if errors.echo:
                    text = reply.strip_echo(text, errors.echo, query)
                entry = status.error_entry(text, query, is_register)
            except ReplyError as error:
                raise supply.link.garbled(error) from error
            if entry.number == 0:
                break
            found.append((entry.number, entry.text or f"{query} {entry.number}"))
            supply.between()
        return found
