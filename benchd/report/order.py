"""What is asked of whoever makes a report. Alone here, for it is needed where nothing else of this room is."""

from __future__ import annotations

from typing import Literal

import msgspec

Audience = Literal["technician", "customer"]
Form = Literal["html", "pdf"]


class Order(msgspec.Struct, frozen=True):
    """What is wanted."""

    job: str
    log: str
    """The log's file; beside it lie the checklists of one's own."""
    form: Form = "pdf"
    audience: Audience = "technician"
    language: str = "en"
    bench: str = ""
    """The bench's name, as the settings have it."""
    styles: str | None = None
    """Written into the page, for one that is a file of its own; None: it is served, and has links to its like."""


class Failed(msgspec.Struct, frozen=True):
    """What the process that makes a report says when it cannot: a code of the API's errors, and a sentence."""

    code: str
    message: str
