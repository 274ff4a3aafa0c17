"""Which class of current a device takes at 5 V of USB, by published limits. Pure."""

from __future__ import annotations

from typing import NamedTuple


class UsbClass(NamedTuple):
    """A class, and the most that a device of it takes, A."""

    name: str
    most_a: float
    text: str
    source: str


CLASSES = (
    UsbClass("suspended", 0.0025, "suspended, or nothing: it takes no more than 2.5 mA", "USB 2.0 §7.2.3 with its ECN"),
    UsbClass("unconfigured", 0.1, "not enumerated: one unit load of USB 2.0, 100 mA", "USB 2.0 §7.2.1"),
    UsbClass("unconfigured-3", 0.15, "not enumerated: one unit load of USB 3, 150 mA", "USB 3.2 §11.4.1"),
    UsbClass("usb-2", 0.5, "five unit loads of USB 2.0, 500 mA", "USB 2.0 §7.2.1"),
    UsbClass("usb-3", 0.9, "six unit loads of USB 3, 900 mA", "USB 3.2 §11.4.1"),
    UsbClass("charger", 1.5, "a charging port or USB-C at 1.5 A", "USB BC 1.2 table 5-2; USB Type-C §4.11"),
    UsbClass("type-c-3", 3.0, "USB-C at 3 A", "USB Type-C §4.11"),
)
"""In order of the current. Unit sizes of USB 3 from memory."""


def class_of(current_a: float, u_a: float = 0.0) -> tuple[UsbClass | None, UsbClass | None]:
    """The class of a settled current, and another that it may be within `u_a` (95 %); None: more than any."""
    low = next((each for each in CLASSES if current_a - u_a <= each.most_a), None)
    here = next((each for each in CLASSES if current_a <= each.most_a), None)
    high = next((each for each in CLASSES if current_a + u_a <= each.most_a), None)
    other = low if low is not here else high if high is not here else None
    return here, other
