"""The options by which a person tells what a table does not tell itself, for each command that reads files."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli import out

if TYPE_CHECKING:
    from benchd.traces.table_options import ReadAs

TimeUnit = Annotated[str | None, typer.Option("--time-unit", help="Unit of the file's times: s, ms, µs, ns, min, h.")]
VoltageUnit = Annotated[str | None, typer.Option("--voltage-unit", help="Unit of its voltages: V, mV, …")]
CurrentUnit = Annotated[str | None, typer.Option("--current-unit", help="Unit of its currents: A, mA, µA, …")]
ColumnNames = Annotated[
    list[str] | None,
    typer.Option("--column", help="Which column is what, by name or number: current=CH2, voltage=3. Again for more."),
]
Decimal = Annotated[str | None, typer.Option("--decimal", help="Its decimal mark: point or comma.")]
Delimiter = Annotated[
    str | None, typer.Option("--delimiter", help="Between its columns: comma, semicolon, tab, bar or space.")
]
Interval = Annotated[
    float | None, typer.Option("--interval", help="Its readings are this far apart, s; its times are not read.")
]
SetVoltage = Annotated[float | None, typer.Option("--set-voltage", help="What the supply was set to, V.")]
Limit = Annotated[float | None, typer.Option("--limit", help="The supply's current limit, A.")]
Resolution = Annotated[float | None, typer.Option("--resolution", help="Smallest step of its current readings, A.")]
Side = Annotated[str | None, typer.Option("--side", help="Where the board is fed: battery (or another input), or usb.")]
Button = Annotated[
    float | None,
    typer.Option(
        "--button", help="When the button was pressed, s in the file's time; s after its start if it has dates."
    ),
]


def read_as(
    *,
    time_unit: str | None = None,
    voltage_unit: str | None = None,
    current_unit: str | None = None,
    column: Sequence[str] | None = None,
    decimal: str | None = None,
    delimiter: str | None = None,
    interval: float | None = None,
    set_voltage: float | None = None,
    limit: float | None = None,
    resolution: float | None = None,
    board: str | None = None,
    side: str | None = None,
    button: float | None = None,
) -> ReadAs:
    """All of them checked; ends the command when one says nothing that can be used."""
    from benchd.traces import table_options as table

    with out.errors(table.OptionError):
        return table.ReadAs(
            table.units_from({"time": time_unit, "voltage": voltage_unit, "current": current_unit}),
            table.columns_from(column or []),
            table.named("--decimal", decimal, table.DECIMALS),
            table.named("--delimiter", delimiter, table.DELIMITERS),
            table.within("--interval", interval, table.INTERVAL_S, "s"),
            table.within("--set-voltage", set_voltage, table.VOLTAGE_V, "V"),
            table.within("--limit", limit, table.LIMIT_A, "A"),
            table.within("--resolution", resolution, table.RESOLUTION_A, "A"),
            board,
            table.one_of("--side", side, ("battery", "usb")),
            table.within("--button", button, table.TIME_S, "s"),
        )
