"""One procedure and one run of it, in memory."""

from __future__ import annotations

from benchd.procedures.record import Column, Curve, Happened, LeadSet, Result, Run, Side
from benchd.web.port import Refused
from benchd.web.procedure_port import (
    Leads,
    LeadView,
    MostSet,
    ParameterView,
    ProcedureCard,
    ProcedureChecked,
    Procedures,
    RunAsk,
    RunRow,
    RunView,
    SideOf,
    row_of,
)
from tests.web.fake import START_NS

CARD = ProcedureCard(
    "leak-curve", "Leak curve", 1, "shipped", False, "What leaks, at each voltage.", ["Disconnect the battery."],
    [SideOf("main", "The board", "at its battery's terminals")],
    [
        ParameterView("limit_a", "Limit", "A", "number", 0.2, "", 0.01, 3.0),
        ParameterView("way", "Way", "", "choice", "up", choices=["up", "down"]),
        ParameterView("slow", "Slowly", "", "bool", False),
    ],
    ["raise the voltage", "say what leaks"],
)  # fmt: skip
CURVE = Curve(
    "leak", "Leak over voltage",
    (Column("v", "Voltage", "V", (1.0, 2.0, 3.0)), Column("i", "Current", "A", (0.01, 0.02, 0.03), (0.001,) * 3)),
    (0.01, 0.02, 0.03),
)  # fmt: skip
RUN = Run(
    "P1", "leak-curve", 1, "Leak curve", "R-1042", START_NS, (Side("main", "lab", 1),), "phone", {"limit_a": 0.2},
    ended_ns=START_NS + 5_000_000_000, outcome="failed", text="It leaks like a resistor.",
    results=(Result("leak", "Leak at 4 V", 0.042, "A", 0.002, text="Above 5 mA.", verdict="bad"),), curves=(CURVE,),
    happened=(
        Happened(START_NS, "began", "Leak curve"),
        Happened(START_NS + 9, "point", "C1204", {"resistance_ohm": 0.02, "u_ohm": 0.001}),
    ),
    traces=("T1",),
)  # fmt: skip
LEADS = LeadSet("lab", 1, "red", 0.084, 0.002, 2.0, 21.0, START_NS)


class FakeProcedures:
    """Implements what the page reads of `ProcedurePort`; nothing of it runs."""

    async def procedures(self) -> Procedures:
        """See `ProcedurePort`."""
        return Procedures([CARD])

    async def procedure(self, name: str) -> ProcedureCard:
        """See `ProcedurePort`."""
        if name != CARD.name:
            raise Refused("unknown", f"no procedure {name!r}")
        return CARD

    async def check_run(self, ask: RunAsk) -> ProcedureChecked:
        """See `ProcedurePort`."""
        most = [MostSet("main", "lab", 1, "phone", 4.2, 0.2)]
        return ProcedureChecked(["limit_a: 0.2 A is too much for this."], most, 60.0, CARD.cautions, {})

    async def runs(self, job: str | None, card: str | None, limit: int) -> list[RunRow]:
        """See `ProcedurePort`."""
        return [row_of(RUN)] if job in (None, RUN.job) else []

    async def run(self, id: str) -> RunView:
        """See `ProcedurePort`."""
        return RunView(RUN)

    async def put_on_leads(self, supply: str, channel: int, name: str, by: str = "") -> Leads:
        """See `ProcedurePort`."""
        if name != LEADS.name:
            raise Refused("not-found", f"{supply}/{channel}: leads {name!r} were never measured there")
        return await self.leads()

    async def leads(self) -> Leads:
        """See `ProcedurePort`."""
        return Leads(
            [LeadView("lab", 1, LEADS, "measured", "Measured 40 days ago: measure them again.", True)], [LEADS]
        )
