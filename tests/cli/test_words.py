"""Lines of `benchd run` about who a supply is, and about consent."""

from __future__ import annotations

from benchd.cli.words import told


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
