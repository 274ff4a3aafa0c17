"""What people did, as the terminal tells it."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.cli.journal_words import journal_words

SAID: list[tuple[str, dict[str, Any], str]] = [
    ("job-changed", {"changed": ["device", "symptom"], "by": "north"}, "changed: device, symptom, by north"),
    ("job-state", {"before": "looking", "after": "repairing", "by": "north"}, "looking -> repairing, by north"),
    ("photo", {"photo": 3, "caption": "pin 1", "width": 640, "height": 480, "by": "tablet"},
     "photo 3: pin 1, 640 x 480, by tablet"),
    ("step", {"step": "restored", "label": "Restored", "detail": "no error", "text": "took long", "by": "north",
              "minutes": 12.0, "anyway": ["A", "B"]},
     "Restored: no error: took long, 12 min, though 2 checks that come first were open, by north"),
    ("photo-removed", {"photo": 3, "by": "tablet"}, "photo 3 removed, by tablet"),
    ("step-taken-back", {"seq": 7, "label": "Restored", "by": "north"}, "entry 7 taken back: Restored, by north"),
    ("check", {"list": "x", "title": "Before power", "label": "Dry", "state": "not-needed", "note": "new", "by": "n"},
     "Before power: Dry: not needed (new), by n"),
    ("files", {"file": "plan", "name": "phone-cell", "what": "changed", "changed": ["limit_a"], "by": "n"},
     "plan phone-cell changed: limit_a, by n"),
    ("files", {"file": "checklist", "name": "closing", "what": "deleted", "by": "n"},
     "checklist closing deleted, by n"),
    ("access", {"what": "sign-in", "name": "tablet", "role": "viewer", "from": "192.0.2.7"},
     "sign-in: tablet (viewer) from 192.0.2.7"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "payload", "said"), SAID)
def test_each_kind_has_words(kind: str, payload: dict[str, Any], said: str) -> None:
    assert journal_words(kind, payload) == said
    assert journal_words(kind, {}) is not None, "what forgetting leaves can be told"


def test_other_kinds_have_words_elsewhere() -> None:
    assert journal_words("trip", {"rule": "short"}) is None
