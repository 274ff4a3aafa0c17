"""What to do next about each signature, what to mind, and what tells two of them apart.

The order of checks is from the cheapest and least invasive on. Common practice, no source.
"""

from __future__ import annotations

BATTERY = "Disconnect the battery before you feed its terminals: a cell drives tens of amperes past the supply's limit."
SHORT_HEAT = "A limited supply still heats a short: feel with a thermal camera or alcohol, not with a finger."
INJECT = "Feed a rail only at or below its rated voltage, beginning near 0.5 to 1 V."
STORAGE = "Before a storage chip is heated or lifted: its identity data may be the only copy."
LEAK_HEAT = "Parts that leak get hot while the board looks dead: do not leave it powered unattended."

NEXT_CHECKS: dict[str, tuple[str, ...]] = {
    "no-draw": (
        "Check clips, polarity and that the set voltage is there on the board's own terminals.",
        "Press the button again, or bridge its contacts: a worn button or flex draws nothing either.",
        "Look for corrosion and cracks at the battery connector and the button's path.",
        "Measure in diode mode to ground on the main input line: open or very high means the path is broken before it.",
        "Follow the input voltage to the power manager and look for its always-on rails.",
    ),
    "dead-short": (
        "Take everything off that plugs in (screen, cameras, flexes) and power again.",
        "Measure resistance to ground on the main input with the supply off, both ways round.",
        "Probe at 0.5 to 1 V with the limit kept low and look for the warm part with a thermal camera.",
        "Split the rail at its jumpers or coils, and halve until the shorted part is found.",
    ),
    "early-leak": (
        "Unplug screen, cameras and flexes one by one and watch the current.",
        "Look at the board for liquid and corrosion; clean and dry it, then measure again.",
        "Leave it powered with a low limit and find the warm part with a thermal camera.",
        "Measure the always-on rails in diode mode against a good board.",
    ),
    "low-stall": (
        "Plug it into a computer: does a recovery mode answer? Then processor and USB live.",
        "Try the button combination for recovery, and a known-good screen and cables.",
        "Measure the storage's supply rails, then its clock.",
        "Compare the rails that come up with a good board to the first one that is missing.",
        "Only then think of storage or processor joints, with the data's owner asked.",
    ),
    "boot-loop": (
        "Power with a stiff supply and short, thick leads: a sagging source restarts boards too.",
        "Unplug everything not needed to start and see whether the period changes.",
        "Try recovery or update mode: a loop by software usually stops there.",
        "Watch which rail falls first at the end of a try.",
    ),
    "clean-boot": (
        "Compare the trace with one of a good board of the same kind.",
        "Go on with screen, touch, charging and radio checks.",
        "Measure sleep current and low-battery cut-off before it goes home.",
    ),
    "unclear": (
        "Power it once more with the button marked by hand, and let the trace run on for 20 s.",
        "Set a higher reading rate if the supply has one.",
    ),
}
CAUTIONS: dict[str, tuple[str, ...]] = {
    "no-draw": (BATTERY,),
    "dead-short": (SHORT_HEAT, INJECT, BATTERY),
    "early-leak": (LEAK_HEAT, BATTERY),
    "low-stall": (STORAGE, BATTERY),
    "boot-loop": (BATTERY,),
    "clean-boot": (BATTERY,),
    "unclear": (BATTERY,),
}
_APART: dict[frozenset[str], str] = {
    frozenset(("early-leak", "low-stall")): (
        "Only the moment of the button tells these apart: power without touching it; what flows anyway is a leak."
    ),
    frozenset(("no-draw", "early-leak")): "Measure with a finer range: is the current before the button really there?",
    frozenset(("no-draw", "brief-kick")): "Read faster around the button: a kick may fall between two readings.",
    frozenset(("dead-short", "late-short")): (
        "Power without touching the button: a dead short pins the limit all the same, a late one waits for the button."
    ),
    frozenset(("clean-boot", "limit-sag")): "Raise the limit within the plan, or use thicker leads, and power again.",
    frozenset(("clean-boot", "mid-stall")): "Let it run on: a boot changes its current all the time, a stall is flat.",
    frozenset(("low-stall", "mid-stall")): "Look at the level: some tens of mA, or a few hundred.",
    frozenset(("clean-boot", "boot-loop")): "Let it run for several more periods and see whether the fall comes again.",
    frozenset(
        ("clean-boot", "loose-contact")
    ): "Hold the clips still or solder wires: dropouts of a contact then stop.",
    frozenset(("boot-loop", "loose-contact")): "A loop keeps its period when the clips are moved; a contact does not.",
    frozenset(("boot-loop", "brief-kick")): "Let it run on without touching the button: a loop tries again by itself.",
    frozenset(
        ("boot-loop", "early-leak")
    ): "Power without the button: a leak flows, a loop waits (unless it starts by itself).",
    frozenset(("clean-boot", "over-draw")): "Compare with the trace of a good board of the same kind.",
    frozenset(("clean-boot", "early-leak")): "Power without the button and watch: what flows before it is the leak.",
    frozenset(("low-stall", "brief-kick")): "Let it run on: a stall stays, a kick goes back to nothing.",
    frozenset(("low-stall", "clean-boot")): "Let it run on for half a minute: a stall does not move any more.",
    frozenset(
        ("dead-short", "limit-sag")
    ): "Raise the limit a little: the voltage of an overloaded source rises, of a short hardly.",
}
_ALONE: dict[str, str] = {
    "no-draw": "Nothing would move, before or after the button.",
    "dead-short": "The limit would be pinned and the voltage collapsed from the first moment.",
    "early-leak": "Current would flow before the button.",
    "brief-kick": "It would rise at the button and fall back to nothing within about a second.",
    "low-stall": "It would stay flat at a few tens of mA after the button.",
    "mid-stall": "It would stay flat at a few hundred mA, without texture.",
    "boot-loop": "The same rise and fall would come again with the same period.",
    "late-short": "It would be fine until the button or a later rail, then pinned.",
    "over-draw": "It would boot, but well above a good board.",
    "limit-sag": "The boot's peaks would hit the limit, or the voltage would sag on the leads.",
    "loose-contact": "The current would drop out while the voltage stays.",
    "clean-boot": "A busy staircase would come, and settle lower.",
}


NEIGHBOUR: dict[str, str] = {
    "no-draw": "brief-kick",
    "dead-short": "late-short",
    "early-leak": "low-stall",
    "brief-kick": "no-draw",
    "low-stall": "early-leak",
    "mid-stall": "low-stall",
    "boot-loop": "clean-boot",
    "late-short": "dead-short",
    "limit-sag": "clean-boot",
    "loose-contact": "clean-boot",
    "clean-boot": "mid-stall",
}
"""What a signature is most easily mistaken for."""


def tell_apart(one: str, other: str) -> str:
    """What would tell two signatures apart."""
    return _APART.get(frozenset((one, other))) or _ALONE.get(other, "")
