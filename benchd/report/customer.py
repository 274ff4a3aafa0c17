"""The report for the customer: one page in plain words, without a figure that would have to be explained.

Photos stay in the workshop's: nobody chose them and their captions for the customer's eyes.
"""

from __future__ import annotations

from collections.abc import Iterator

from benchd.report.document import Block, Document, Drawings, Facts, Heading, Items, Para, Signing
from benchd.report.gather import Gathered, StepKept, Traced
from benchd.report.part_course import When, pair
from benchd.report.texts import Texts
from benchd.report.words import foot, known_word

MOST_STEPS = 10
MOST_OPEN = 6
MOST_LETTERS = 400
"""Of each thing that somebody typed: the page has one sheet."""


def customer(g: Gathered, texts: Texts, made_ns: int, bench: str) -> Document:
    """The page for the customer. `made_ns`: now, ns since the epoch."""
    moment = texts.moment(made_ns)
    return Document(
        language=texts.language,
        title=texts("title.customer", job=_short(g.job.id)),
        subtitle=_short(g.job.device),
        foot=foot(texts, g.job.id, moment, bench),
        one_page=True,
        page_of="",
        blocks=[
            *_told(g, texts),
            *_found(g, texts),
            *_done(g, texts),
            *_result(g, texts),
            *_tested(g, texts),
            *_mind(g, texts),
            Signing([texts("customer.received"), texts("customer.handed")]),
        ],
    )


def _told(g: Gathered, texts: Texts) -> Iterator[Block]:
    said = (("told", g.job.symptom), ("wanted", g.job.wanted_back))
    rows = [(texts(f"customer.{key}"), _short(text)) for key, text in said if text]
    if rows:
        yield Facts(rows)


def _found(g: Gathered, texts: Texts) -> Iterator[Block]:
    """What the first power-up showed, and whether a protection acted."""
    yield Heading(texts("customer.found"))
    yield Para(_plain(g.traces[0], texts) if g.traces else texts("customer.unmeasured"))
    if g.trips:
        key = "customer.trip-one" if len(g.trips) == 1 else "customer.trip-more"
        unknown = any(not trip.figures.get("off_confirmed") for trip in g.trips)
        words = [texts(key, number=len(g.trips))] + ([texts("customer.trip-unknown")] if unknown else [])
        yield Para(" ".join(words))


def _plain(traced: Traced, texts: Texts) -> str:
    finding = traced.row.finding
    told = texts.get(f"plain.{finding.signature}") if finding is not None else None
    return told or texts("plain.unclear")


def _done(g: Gathered, texts: Texts) -> Iterator[Block]:
    """Each step that stands, in plain words; the same words once."""
    yield Heading(texts("customer.done"))
    steps = list(dict.fromkeys(_step(step, texts) for step in g.steps.values() if step.taken_back_by is None))
    if not steps:
        yield Para(texts("customer.none-done"))
        return
    left = len(steps) - MOST_STEPS
    yield Items(steps[:MOST_STEPS] + ([texts("customer.more-steps", number=left)] if left > 0 else []))


def _step(step: StepKept, texts: Texts) -> str:
    p = step.entry.payload
    return _short(texts.said(str(p.get("plain") or p.get("label") or p.get("step") or "")))


def _result(g: Gathered, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("customer.result"))
    state = known_word("state", g.job.state, texts)
    words = f"{state[:1].upper()}{state[1:]}."
    yield Para(f"{words} {_plain(g.traces[-1], texts)}" if len(g.traces) > 1 else words)
    drawings = pair(g.traces[0], g.traces[-1], texts, _beside) if len(g.traces) > 1 else []
    if drawings:
        yield Drawings(drawings)
        yield Para(texts("customer.picture"), "quiet")


def _beside(when: When, traced: Traced, texts: Texts) -> tuple[str, str]:
    """Caption of a drawing, and what it shows in plain words."""
    caption = texts(f"customer.{when}")
    return caption, f"{caption}: {_plain(traced, texts)}"


def _tested(g: Gathered, texts: Texts) -> Iterator[Block]:
    """The checks after the repair: how many were done, and each that was not."""
    lists = [each for each in g.checks if each.moment == "after-repair"]
    wanted = [item for each in lists for item in each.items if not item.retired and item.state != "not-needed"]
    if not wanted:
        return
    left = [texts.said(item.label) for each in lists for item in each.items if item.state == "open"]
    yield Heading(texts("customer.tested"))
    done = len(wanted) - len(left)
    key = "all-tested" if not left else "some-tested" if done else "none-tested"
    yield Para(texts(f"customer.{key}", done=done, number=len(wanted)))
    if left and done:
        more = len(left) - MOST_OPEN
        shown = [_short(label) for label in left[:MOST_OPEN]]
        shown += [texts("customer.more-open", number=more)] if more > 0 else []
        yield Para(f"{texts('customer.not-tested')}: {'; '.join(shown)}.")


def _mind(g: Gathered, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("customer.mind"))
    words = [texts("customer.mind-swollen")] if g.job.battery == "swollen" else []
    words += [texts("customer.mind-battery")] if g.job.battery != "none" else []
    words += [texts("customer.mind-data"), texts("customer.mind-water")]
    yield Items(words)


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= MOST_LETTERS else text[: MOST_LETTERS - 1].rstrip() + "…"
