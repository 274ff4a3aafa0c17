"""`benchd supplies try` over every message-based bus: the same checks, a late reply and a reconnect among them."""

import functools

from benchd.reading import OutputState
from benchd.supplies.profile import load_profile
from benchd.supplies.tryout import Tryout, Unit, Verdict
from benchd.supplies.tryout_checks import output_off_checks
from benchd.supplies.tryout_output import output_on_checks
from tests.supplies.plain import plain_scpi


def test_a_good_supply_passes_on_every_bus(bus):
    answer = plain_scpi()

    def slowly(line):
        steps = answer(line)
        return [0.01, *steps] if steps else []  # so that a reply can come late

    with bus(slowly) as instrument:
        run = Tryout(Unit(instrument.resource, load_profile("generic-scpi"), 1, timeout_s=1.0), lambda result: None)
        run.run([output_off_checks, functools.partial(output_on_checks, consent=lambda: "")])
    told = {result.check: (result.verdict, result.text) for result in run.results}
    assert [check for check, (verdict, _) in told.items() if verdict is Verdict.FAILS] == [], told
    assert run.state is OutputState.OFF
    assert told["voltage-on"][0] is Verdict.PASSES
    assert told["reconnect"][0] is Verdict.PASSES
    assert told["late-reply"][0] is Verdict.PASSES, told["late-reply"]
