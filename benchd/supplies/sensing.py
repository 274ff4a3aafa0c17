"""Where an output holds and measures its voltage: at its own terminals, or at the far end of sense leads.

Written with the output off, since the voltage at the board moves with it, and read back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.reading import SenseAt
from benchd.supplies.errors import SupplyError
from benchd.supplies.setting import STAYS_OFF
from benchd.supplies.supply_output import Output

if TYPE_CHECKING:
    from benchd.supplies.supply import Supply


def set_sense(supply: Supply, output: Output, at: SenseAt) -> None:
    """Switch sense leads in (remote) or out (local). Raises LinkError, SupplyError; the output is not switched."""
    if not at:
        return
    place, sense = supply.place(output.channel), output.sense
    if sense is None:
        raise SupplyError(
            f"{place}: sense = {at!r} was asked for, but profile {supply.profile.name} knows no command for it. "
            f"{STAYS_OFF}; leave it out, and wire or set sensing at the supply"
        )
    orders = sense.orders[at]
    supply.order(output, orders)
    if supply.truth(output, sense.state) is not (at == "remote"):
        raise SupplyError(
            f"{place}: asked {orders.told}, then {sense.state.asked} says that sensing is "
            f"{'local' if at == 'remote' else 'remote'}. {STAYS_OFF}; look at the sense switch of the supply"
        )
