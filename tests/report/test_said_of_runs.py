"""What runs of procedures say is known to the German report: no sentence comes to them without its line."""

from __future__ import annotations

import ast
import asyncio
import math
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import msgspec
import numpy as np
import pytest

import benchd
from benchd.guard.states import REASONS
from benchd.procedures import cycles, leak_curve
from benchd.procedures.card import AnyStep, Ask, Repeat
from benchd.procedures.comparing import compared
from benchd.procedures.hands import Cut
from benchd.procedures.leak_models import THERMAL_V
from benchd.procedures.record import Result, Run, Side
from benchd.procedures.shelf import shipped
from benchd.procedures.taken import Analysed
from benchd.report.said import FIELD
from benchd.report.texts import Texts, read_texts
from tests.procedures import (
    test_cycles,
    test_leak_curve,
    test_sag,
    test_sense_leads,
    test_short_live,
    test_sleep,
    test_thresholds,
    test_two_sides,
)
from tests.procedures.hands import FakeHands, resistor
from tests.procedures.test_engine import played

ROOT = Path(benchd.__file__).parent
SAYING = (
    *(f"procedures/{name}.py" for name in (
        "averaging", "bins", "comparing", "cycles", "engine", "judging", "lead_resistance", "leak_curve", "resistance",
        "sag_live", "sense_leads", "short_live", "sleep_live", "steps", "thresholds", "two_sides_live", "usb_class",
        "values")),
    "daemon/procedure_restart.py", "daemon/procedure_running.py", "daemon/tap.py",
)  # fmt: skip
TOLD_TO_PAGES = ("told", "_words", "point", "progress", "_title", "_each", "_told", "resumed", "_off", "left_of")
"""Functions whose words are for who looks on, or asks; no report has them."""
NOT_SAID = (
    "has no such parameter; it has", "has to be given",  # such a run does not begin
    "waits for an answer", "has ended, but its output is not known to be off",  # told while it goes on
)  # fmt: skip
ENGLISH = {" the ", " of ", " is ", " with ", " it ", " at ", " no ", " to ", " and "}


def lines() -> list[str]:
    """Every English line that there is."""
    files = [read_texts(file) for file in ("de-procedures-said", "de-said")]
    return [line for file in files for table in ("sentences", "inside", "before") for line in file.get(table, {})]


def pieces(node: ast.AST) -> Iterator[str]:
    """Every piece of text with a blank between letters, but documentation and what only pages are told."""
    for each in ast.iter_child_nodes(node):
        if isinstance(each, ast.FunctionDef | ast.AsyncFunctionDef) and each.name in TOLD_TO_PAGES:
            continue
        if isinstance(each, ast.Expr) and isinstance(each.value, ast.Constant):
            continue
        if isinstance(each, ast.Constant) and isinstance(each.value, str) and re.search(r"[a-z] [a-z]", each.value):
            yield each.value
        yield from pieces(each)


@pytest.mark.parametrize("module", SAYING)
def test_every_piece_of_a_sentence_stands_in_a_line(module: str) -> None:
    tree = ast.parse((ROOT / module).read_text("utf-8"))
    known = [FIELD.sub("\0", line).lower() for line in lines()]
    bare = [(piece, piece.strip(" .:,;()").lower()) for piece in pieces(tree)]
    left = [piece for piece, words in bare if words not in NOT_SAID and not any(words in line for line in known)]
    assert not left, "add a line to texts/de-procedures-said.toml for each sentence that these are of"


def steps_of(steps: list[AnyStep]) -> Iterator[AnyStep]:
    for step in steps:
        yield step
        if isinstance(step, Repeat):
            yield from steps_of(step.step)


def test_cards_are_said_in_german() -> None:
    wanted = set(REASONS.values()) - {REASONS["switching-on"]}  # no run ends by that
    for kept in shipped().values():
        asks = {step.text for step in steps_of(kept.card.step) if isinstance(step, Ask)}
        wanted |= {kept.card.title, *kept.card.cautions, *asks}
        for parameter in kept.card.parameter.values():
            wanted |= {
                parameter.title,
                *(word for word in parameter.choices if word not in read_texts("de")["signature"]),
            }
    texts = Texts("de")
    assert not {sentence for sentence in wanted if texts.said_of_run(sentence) == sentence}
    assert all(Texts("en").said_of_run(sentence) == sentence for sentence in wanted)


def leaks() -> list[Analysed]:
    sweep_v, good, taken = test_leak_curve.SWEEP_V, test_leak_curve.good, test_leak_curve.taken
    made = [
        taken(lambda v: v / 88.9, sweep_v, reference={"P1": good(3300.0), "P2": good(3000.0)}),
        taken(lambda v: v / 90, sweep_v, reference={"P1": good(88.0)}),
        taken(lambda v: 2e-9 * math.expm1(v / (1.6 * THERMAL_V)), np.arange(0.05, 0.80, 0.05)),
        taken(lambda v: max(0.0, v - 2.43) / 30, sweep_v),
        taken(lambda v: 0.0, sweep_v),
        taken(lambda v: 0.0, sweep_v, early=lambda v: 0.04),
        taken(lambda v: v / 20, sweep_v, limit_a=0.1),
        taken(lambda v: 0.02 + 0.015 * math.sin(4 * v), sweep_v),
    ]
    return [leak_curve.analyse(each) for each in made]


def cycled() -> list[Analysed]:
    taken = test_cycles.taken
    slow = [("clean-boot", 6.0 + 0.05 * (n % 4), 1.1) for n in range(12)]
    slow[7] = ("clean-boot", 9.5, 1.1)
    weak = [("clean-boot", 6.0, 1.1)] * 12
    weak[3] = ("clean-boot", 6.0, 0.3)
    made = [
        taken([("clean-boot", 6.0, 1.1)] * 5, least_share=0.8),
        taken([("clean-boot", 6.0, 1.1)] * 9 + [("boot-loop", 6.0, 1.1)]),
        taken([("clean-boot", 6.0, 1.1)] * 3 + [("", 0.0, 0.0)]),
        taken(slow),
        taken(weak),
    ]
    return [cycles.analyse(each) for each in made]


def slept() -> list[Analysed]:
    sleeper, watched = test_sleep.sleeper, test_sleep.watched
    live = watched(sleeper(1300), capacity_mah=3000.0)
    live.restore(msgspec.json.decode(msgspec.json.encode(live.state())), 10**18, 10**18 + 60 * 10**9)
    rising, falling = (sleeper(1500, drift_a_per_h=drift) for drift in (0.01, -0.004))
    return [live.analysed(), watched(rising).analysed(), watched(falling).analysed(), watched(rising[:0]).analysed()]


def runs() -> list[Run]:
    """Of the shipped cards with live measurements, with hands that play a bench."""
    probed = test_short_live.probed
    return [
        test_sag.tried(3.0, 300)[1],
        test_sag.tried(3.8, 300)[1],
        probed(test_short_live.PLACES, 6.0)[1],
        probed([(0.0, "C1", 0.02), (2.0, "C2", 0.02)], 4.0)[1],
        probed([(0.0, "C1", 0.02)], 2.0)[1],
        probed([], 1.0)[1],
        test_thresholds.tried(3.0, 3.5, lowest_good_v=3.2),
        test_thresholds.tried(3.0, 3.5, lowest_good_v=2.5),
        test_thresholds.tried(3.0, 3.5, lowest_good_v=3.0),
        test_thresholds.tried(1.0, 9.0),
        test_two_sides.tried(0.45)[1],
        test_two_sides.tried(0.45, charges=True)[1],
        test_two_sides.tried(0.099, idle_v=3.0)[1],
        *(asyncio.run(test_sense_leads.played(test_sense_leads.Sensing(on))).run for on in (0, 1, 2)),
        asyncio.run(test_sense_leads.played(test_sense_leads.Sensing(2, 2e-4))).run,
        leads(0.0666, celsius=21.0),
        leads(0.0666, wanted_mohm=0.1),
        leads(1e6),
        leads(3.0),
        *ended_early(),
    ]


def leads(ohm: float, **parameters: float) -> Run:
    hands = FakeHands({"main": resistor(ohm)})
    hands.answers = {"ready": True}
    return asyncio.run(played(shipped()["lead-resistance"].card, hands, **parameters)).run


REASONS_TO_END = [
    Cut("stopped", "stopped by anna"),
    Cut("tripped", "psu/1 tripped (over-current): 1.2 A read, above the threshold of 1 A"),
    Cut("interrupted", f"psu/1 is unknown: {REASONS['link-lost']}"),
    Cut("timed-out", f"psu/1 went off: {REASONS['on-time']}"),
]


def ended_early() -> list[Run]:
    """Soaks that end early, what they showed until then told; one of them with its output in doubt."""
    found = []
    for n, cut in enumerate(REASONS_TO_END):
        hands = FakeHands({"main": lambda v, a, _: (v, 0.25)})
        hands.answers = {"ready": True}
        hands.unsure = {"main"} if n == 0 else set()

        def script(now: FakeHands, cut: Cut = cut) -> None:
            if now.at_s > 20:
                now.cut = cut

        hands.script = script
        found.append(asyncio.run(played(shipped()["soak"].card, hands, hours=0.02, boot_s=1.0)).run)
    return found


def of_results(results: tuple[Result, ...]) -> Iterator[str]:
    for result in results:
        yield result.title
        yield from (text for text in (result.value, result.text) if isinstance(text, str) and text)


def of_run(run: Run) -> Iterator[str]:
    """What the report shows of it, but what people typed and figures alone."""
    yield run.text
    yield from of_results(tuple(each for each in run.results if not each.name.startswith("point_")))
    for curve in run.curves:
        yield from (curve.title, *(column.title for column in curve.columns))


def unsaid(sentences: Iterator[str] | list[str]) -> set[str]:
    texts, left = Texts("de"), set()
    for sentence in set(sentences):
        said = texts.said_of_run(sentence)
        if said == sentence or any(word in f" {said} " for word in ENGLISH):
            left.add(f"{sentence} -> {said}")
    return left


def as_run(analysed: Analysed) -> Run:
    side = (Side("main", "psu", 1),)
    return Run("P1", "x", 1, "Soak", None, 1, side, "phone-cell", {}, text=analysed.text, results=analysed.results,
               curves=analysed.curves)  # fmt: skip


def test_what_analyses_say_is_said_in_german() -> None:
    found = [[as_run(each) for each in of] for of in (leaks(), cycled(), slept())]
    against = [compared(*pair) for of in found for pair in pairwise(of)]
    assert not unsaid([sentence for of in found for run in of for sentence in of_run(run)])
    assert not unsaid([sentence for sentence in against if sentence])


def test_what_runs_say_is_said_in_german() -> None:
    found = runs()
    assert not unsaid([sentence for run in found for sentence in of_run(run)])
    assert not unsaid([sentence for pair in pairwise(found) if (sentence := compared(*pair))])


def test_sentences_that_were_put_together_are_said_one_by_one() -> None:
    texts = Texts("de")
    mine = "My own card says 1.5 things."
    assert texts.said_of_run(f"{mine} Nothing was recorded.") == f"{mine} Es wurde nichts aufgezeichnet."
    assert texts.said_of_run("NOT CONFIRMED OFF: side main: the guard is not running. stopped by x") == (
        "AUS IST NICHT BESTÄTIGT: Seite main: Der Wächter läuft nicht. Angehalten von x"
    )
    assert texts.said_of_run("nobody has answered within 60 s: Is there nothing on the leads? The meter's zero is "
                             "measured first.") == (
        "Niemand hat innerhalb von 60 s geantwortet: Ist nichts an den Leitungen? Zuerst wird die Null des Messgeräts "
        "gemessen."
    )  # fmt: skip
    assert texts.said_of_run("2 × clean-boot, 1 × no-draw") == "2 × startet und kommt zur Ruhe, 1 × nichts fließt"
