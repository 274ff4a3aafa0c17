"""An id of a job among other words: where it is that id, and what stands there instead once the job is forgotten."""

from __future__ import annotations

import re
from typing import Any

_ID_KEYS = frozenset(("job", "before", "after", "packed_as"))
"""Of a journal entry's payload: where ids of jobs stand."""
_TEXT_KEYS = frozenset(("text", "note", "device", "symptom", "caption", "detail"))
_SENT = re.compile(r',job=([A-Za-z0-9._-]+)|"job": ?"([A-Za-z0-9._-]+)"')


class Words:
    """An id among other words."""

    def __init__(self, old: str, new: str) -> None:
        self.old, self.new = old, new
        quoted = re.escape(old)
        # As a tag of a line, or as a member of a JSON object, which may be quoted in another.
        self._told = re.compile(rf'(,job=|\\*"job\\*": ?\\*"){quoted}(?![A-Za-z0-9._-])')
        self._word = re.compile(rf"(?<![A-Za-z0-9._-]){quoted}(?![A-Za-z0-9_-]|\.[A-Za-z0-9])")
        self.telling = telling(old)

    def said(self, text: str) -> str:
        """The text of a person: an id that is nothing but an id is renamed; "12" may be anything."""
        return self._word.sub(self.new, text) if self.telling else text

    def sent(self, text: str) -> str:
        """What was sent to a server, or came back."""
        return self.said(self._told.sub(lambda m: m[1] + self.new, text))

    def payload(self, value: Any, key: str = "") -> Any:
        """A journal entry's payload, or a part of it."""
        if isinstance(value, dict):
            return {k: self.payload(v, k) for k, v in value.items()}
        if isinstance(value, list):
            return [self.payload(v, key) for v in value]
        if isinstance(value, str):
            if key in _ID_KEYS and value == self.old:
                return self.new
            return self.said(value) if key in _TEXT_KEYS else value
        return value


def telling(text: str) -> bool:
    """Whether a word like this is an id wherever it stands: four characters at least, and a digit among them."""
    return len(text) >= 4 and any(c.isdigit() for c in text)


def job_sent(item: str) -> str | None:
    """The job's id in what goes to a server: a tag of a line, or a member of a JSON object."""
    found = _SENT.search(item)
    return (found[1] or found[2]) if found else None
