"""An unverified profile: nothing is switched on before the operator has consented to this profile and this model."""

from __future__ import annotations

import msgspec
import pytest

from benchd.guard.consent import CONSENT_NEEDED, consent_key, explanation
from benchd.guard.wire import Answer, LinkChanged, Met, OutputChanged, PowerOn, RuleLimits
from benchd.reading import OutputState
from benchd.supplies.profile import load_profile, parse_profile
from benchd.supplies.profile_link import Named
from benchd.supplies.profile_tables import Profile

from .fakes import Bench
from .test_sampler import answer, ready

UNIT = Named("Example", "X-1", "S1", "1.0")
THIN = msgspec.structs.replace(load_profile("benchd-sim"), trust="unverified", notes=("Its buttons are upside down.",))
MET = Met("fake", "thin", "unverified", ("Its buttons are upside down.",), "Example", "X-1", "S1", "1.0", "k1")


def key(supply: str = "left", profile: Profile = THIN, named: Named | None = UNIT) -> str:
    return consent_key(supply, profile, named)


@pytest.mark.parametrize("trust", ["documented", "simulated", "recorded", "used"])
def test_only_an_unverified_profile_needs_consent(trust: str) -> None:
    assert key(profile=msgspec.structs.replace(THIN, trust=trust)) == ""
    assert len(key()) == 64


def test_consent_is_for_one_supply_one_text_of_the_profile_and_one_model() -> None:
    commands = msgspec.structs.replace(THIN.commands, output_on="OUTP 2")
    others = {
        key(supply="right"),
        key(profile=msgspec.structs.replace(THIN, name="thinner")),
        key(profile=msgspec.structs.replace(THIN, commands=commands)),
        key(named=UNIT._replace(model="X-2")),
        key(named=UNIT._replace(maker="Another")),
    }
    assert len(others | {key()}) == 6
    assert key(named=UNIT._replace(serial="S2", firmware="2.0")) == key()


def test_the_same_profile_read_twice_needs_consent_once() -> None:
    builtins = msgspec.to_builtins(load_profile("owon-spe"))

    def without_none(data: object) -> object:
        if isinstance(data, dict):
            return {name: without_none(value) for name, value in data.items() if value is not None}
        return [without_none(value) for value in data] if isinstance(data, list | tuple) else data

    again = parse_profile(without_none(builtins), "again.toml")  # type: ignore[arg-type]
    assert key(profile=again) == key(profile=load_profile("owon-spe")) != ""


@pytest.mark.parametrize(("given", "why"), [("", "nobody has consented"), ("k0", "is for another unit")])
def test_power_on_without_the_right_consent_is_refused_by_the_guard_itself(given: str, why: str) -> None:
    with Bench() as bench:
        bench.opened.met = MET
        ready(bench)
        bench.thread.post(PowerOn(1, "bench", 1, 4.0, 1.0, RuleLimits(), given))
        told = answer(bench, 1)
        assert (told.ok, told.code) == (False, CONSENT_NEEDED)
        assert why in told.error
        assert explanation(MET) in told.error
        assert "Its buttons are upside down." in told.error
        assert "benchd supplies accept bench" in told.error
        assert not {"prepare", "output_on"} & {what for what, _ in bench.fake.calls}
        assert all(report.state is not OutputState.ON for report in bench.of(OutputChanged))


def test_power_on_with_the_right_consent_is_carried_out() -> None:
    with Bench() as bench:
        bench.opened.met = MET
        ready(bench)
        bench.thread.post(PowerOn(1, "bench", 1, 4.0, 1.0, RuleLimits(), "k1"))
        assert answer(bench, 1) == Answer(1, True)
        assert bench.fake.on[1]


def test_what_is_outside_the_envelope_is_told_as_that() -> None:
    with Bench() as bench:
        bench.opened.met = MET
        ready(bench)
        bench.thread.post(PowerOn(1, "bench", 1, 99.0, 1.0, RuleLimits()))
        told = answer(bench, 1)
        assert "99 V was asked for" in told.error
        assert told.code == ""


def test_who_answers_is_told_with_the_link() -> None:
    bench = Bench()
    bench.opened.met = MET
    with bench:
        ready(bench)
        assert bench.of(LinkChanged)[0].met == MET
        assert bench.thread.config.resource == "fake"
