"""The risks that an owner is asked to consent to at intake. Common practice of the trade, no source."""

from __future__ import annotations

RISKS = {
    "data-loss": "What is stored in the device may be lost.",
    "may-get-worse": "The device may not start any more afterwards.",
    "seal": "It may not be tight against water and dust afterwards.",
    "screen": "Screen or glass may break when it is opened.",
    "parts": "Parts of the maker may be replaced by others.",
    "storage-chip": "The storage chip may have to be taken off the board.",
    "hot-work": "Parts of the board have to be heated.",
}
"""Id → what it says, for a person at the counter."""
