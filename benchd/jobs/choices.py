"""What is chosen from at intake and later, in words for people."""

from __future__ import annotations

from benchd.jobs.job import Battery, State

STATES: dict[State, str] = {
    "taken-in": "Taken in",
    "looking": "Looking for the fault",
    "waiting-owner": "Waiting for the owner",
    "waiting-parts": "Waiting for parts",
    "repairing": "Being repaired",
    "testing": "Being tested",
    "ready": "Ready",
    "handed-over": "Handed over",
    "given-up": "Given up",
}
"""Where a repair stands, in the order in which it goes on."""

BATTERIES: dict[Battery, str] = {
    "in": "In the device",
    "out": "Taken out",
    "swollen": "Swollen: keep it apart",
    "none": "Has none",
    "unknown": "Not known",
}
"""What is known of the battery; empty: nobody has looked yet."""

RISKS = {
    "data-loss": "What is stored in the device may be lost.",
    "may-get-worse": "The device may not start any more afterwards.",
    "seal": "It may not be tight against water and dust afterwards.",
    "screen": "Screen or glass may break when it is opened.",
    "parts": "Parts of the maker may be replaced by others.",
    "storage-chip": "The storage chip may have to be taken off the board.",
    "hot-work": "Parts of the board have to be heated.",
}
"""What the owner is asked to consent to. Common practice of the trade, no source."""
