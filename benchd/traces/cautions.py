"""What to mind at the bench, said the same way everywhere. Common practice, no source."""

from __future__ import annotations

BATTERY = "Disconnect the battery before you feed its terminals: a cell drives tens of amperes past the supply's limit."
SHORT_HEAT = "A limited supply still heats a short: feel with a thermal camera or alcohol, not with a finger."
INJECT = "Feed a rail only at or below its rated voltage, beginning near 0.5 to 1 V."
STORAGE = "Before a storage chip is heated or lifted: its identity data may be the only copy."
LEAK_HEAT = "Parts that leak get hot while the board looks dead: do not leave it powered unattended."
REVERSED = "Powered the wrong way round, a board conducts through its protection parts: off first, then look."
CELL_IN = "With its battery in place, a device on 5 V may be charging it: a swollen or hot cell goes out of the room."

CAUTIONS: dict[str, str] = {
    "battery": BATTERY,
    "short-heat": SHORT_HEAT,
    "inject": INJECT,
    "storage": STORAGE,
    "leak-heat": LEAK_HEAT,
    "reversed": REVERSED,
    "cell-in": CELL_IN,
}
"""By the name that a card may use in place of the sentence."""
