"""Lines of `benchd run` about who a supply is, and about consent."""

from __future__ import annotations

from benchd.cli.words import channel_line, output_words, person_words, told


def test_a_link_says_by_which_profile_and_how_well_that_is_verified() -> None:
    link = {"supply": "left", "up": True, "identity": "Example,X-1,S1,1.0", "text": ""}
    bare = told("link", link)
    assert bare == (link, "left: reached: Example,X-1,S1,1.0")
    full = told("link", link | {"profile": "thin", "trust": "unverified", "resource": "ASRL/dev/x::INSTR"})
    assert full is not None
    assert full[0]["resource"] == "ASRL/dev/x::INSTR"
    assert full[1] == "left: reached: Example,X-1,S1,1.0 (profile thin, unverified)"


def test_a_consent_is_told_with_who_gave_it() -> None:
    consent = {"supply": "left", "profile": "thin", "who": ""}
    assert told("consent", consent) == (consent, "left: consent to unverified profile thin, given by somebody")


def test_a_stage_is_told_with_what_it_has_shown() -> None:
    probe = {"supply": "left", "channel": 1, "stage": "probe", "resistance_ohm": 12.0, "text": "Rail 12 ± 1 Ω."}
    assert told("stage", probe) == (probe, "left channel 1: probe: Rail 12 ± 1 Ω.")


def test_an_output_that_was_on_long_enough_says_so() -> None:
    assert output_words({"output": "off", "reason": "on-time"}) == "output off, on for as long as its plan allows"


def test_who_did_it_stands_in_the_journal() -> None:
    assert person_words("re-arm", {"by": "foot-switch"}) == "re-armed by foot-switch"
    assert person_words("advance", {}) == "limit raised to that of the boot"
    assert person_words("quiet-hours", {"hours": "22:00-06:30"}) == "quiet hours 22:00-06:30 began"


def test_an_output_in_one_line() -> None:
    view = {"supply": "left", "channel": 1, "output": "off", "link_up": True, "link_text": "", "latched": False}
    assert channel_line(view) == "left channel 1: off"
    on = {"output": "on", "set_voltage_v": 4.0, "limit_a": 0.1, "stage": "hold", "stage_by_hand": True}
    assert channel_line(view | on) == (
        "left channel 1: on, set 4 V, limit 0.1 A, stage hold, goes on with `benchd output next`"
    )
    flows = {"voltage_v": 3.9981, "current_a": 0.00712, "reading_age_s": 0.1, "stage_by_hand": False}
    found = {
        "probe": {"resistance_ohm": 212.4, "uncertainty_ohm": 8.6},
        "leak": {"current_a": 0.0082, "in_limit": False},
    }
    assert channel_line(view | on | flows | found) == (
        "left channel 1: on, 3.998 V, 0.00712 A, set 4 V, limit 0.1 A, stage hold, rail 212.4 Ω ± 8.6 Ω, leak 8.20 mA"
    )
    assert "3.998" not in channel_line(view | on | flows | {"reading_age_s": 5.0})
    assert channel_line(view | flows | found) == (
        "left channel 1: off, last power-on: rail 212.4 Ω ± 8.6 Ω, leak 8.20 mA"
    )
    tripped = {"latched": True, "trip": {"rule": "short"}, "rearm_wait_s": 1.26}
    assert channel_line(view | tripped) == "left channel 1: off, tripped (short), may be re-armed in 1.3 s"
    assert "re-arm it once" in channel_line(view | {"latched": True, "trip": None, "rearm_wait_s": 0.0})
    lost = {"output": "unknown", "link_up": False, "link_text": "no route"}
    assert channel_line(view | lost) == "left channel 1: UNKNOWN, NOT reached: no route"
