"""What the dashboards ask, told apart from the language in which a server is asked.

A dashboard names what it wants to see; a `Tongue` says it in InfluxQL or in MetricsQL. Measurements, tags and fields
are those of `benchd.store.lines`, where their units are written too.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple, Protocol

from benchd.store.lines import FIELDS, RULE_CODES, SIGNATURE_CODES

READING, TRIP, FINDING = "supply_reading", "supply_trip", "trace_finding"
WITHIN = "$__interval"
"""The time that one point of a plot stands for; the data source puts its length there."""

How = Literal["mean", "max", "min"]
Sum = Literal["sum", "max", "count"]


class Where(NamedTuple):
    """Tags that the dashboard's variables of the same names choose: exactly one value each, or any number."""

    one: tuple[str, ...] = ()
    several: tuple[str, ...] = ()


@dataclasses.dataclass(frozen=True)
class Ask:
    """One question. `legend`: for a plot; `ref`: what the panel calls it; `moment`: one answer for the whole range."""

    ref: str
    text: str
    legend: str = ""
    table: bool = False
    moment: bool = False
    step: str = ""
    """The shortest `WITHIN`, where the data source would take a longer one by itself."""


@dataclasses.dataclass(frozen=True)
class Column:
    """A column of a table: a field of the measurement, its title, and the words of its codes, if it has such."""

    field: str
    title: str
    codes: Mapping[str, int] = dataclasses.field(default_factory=dict)


TRIP_COLUMNS = (
    Column("rule", "Rule", RULE_CODES),
    Column("stage", "Stage"),
    Column("limit", "Limit"),
    Column("set_voltage", "Set"),
    Column("let_through_j", "Let through"),
    Column("let_through_a2s", "I²t"),
    Column("off_confirmed_s", "Off after"),
    Column("off_confirmed", "Off read back"),
)
FINDING_COLUMNS = (
    Column("signature", "Finding", SIGNATURE_CODES),
    Column("confidence", "Sure"),
    Column("peak", "Peak"),
    Column("duration_s", "Lasted"),
    Column("charge", "Charge"),
    Column("energy", "Energy"),
    Column("reason", "Ended by"),
)


class Tongue(Protocol):
    """A language. `by`: tags that are told apart; `where`: what is asked about."""

    name: str
    """As in the names of the files."""
    plugin: str
    """The kind of data source that speaks it."""

    def values(self, tag: str, where: Where) -> str | dict[str, object]:
        """The values of a tag, for a variable."""

    def reading(self, field: str, how: How, by: Sequence[str], where: Where, present: Sequence[str] = ()) -> Ask:
        """A field of the readings over time, one point for each `WITHIN`; `present`: tags without which none counts."""

    def pace(self, by: Sequence[str], where: Where) -> Ask:
        """Readings per second over time."""

    def newest(self, field: str, by: Sequence[str], where: Where) -> Ask:
        """The newest reading of the time shown."""

    def trip_marks(self, by: Sequence[str], where: Where) -> Ask:
        """Trips over time, at the limit that was set, A."""

    def trips(self, by: Sequence[str], where: Where) -> Ask:
        """How many there were."""

    def findings(self, how: Sum, field: str, by: Sequence[str], where: Where, present: Sequence[str] = ()) -> Ask:
        """A field of the findings, all of the range together; `present`: tags without which one does not count."""

    def rows(self, measurement: str, columns: Sequence[Column], where: Where) -> list[Ask]:
        """A table, a row a point: time, bench, supply, channel, job, and the columns that the server keeps."""

    def shown_as(self, measurement: str, column: Column) -> str:
        """The name of a column as the answer has it; empty: the server does not keep it."""


def unit(measurement: str, field: str) -> str:
    """The unit of a field in the words of the drawing side; what it has no word for is written behind the number."""
    found = FIELDS[measurement][field].unit
    if field == "confidence":
        return "percentunit"
    words = {"A": "amp", "V": "volt", "W": "watt", "J": "joule", "s": "s", "C": "si:C", "": "none"}
    return words.get(found, f"suffix:{found}")
