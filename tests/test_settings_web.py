"""Where the page listens, and for whom: nothing wider than this machine without somebody who is let in by name."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd import settings, tokens
from benchd.settings_web import Web, is_loopback
from tests.test_settings import GOOD

HASH = tokens.hash_of("benchd_x")
OPERATOR = {"name": "ann", "role": "operator", "hash": HASH}


def refused(**web: Any) -> str:
    with pytest.raises(settings.SettingsError) as caught:
        settings.from_dict({**copy.deepcopy(GOOD), "web": web}, "benchd.toml")
    return str(caught.value)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.5", "bench.example", "localhost.example"])
def test_a_page_for_the_network_wants_somebody_who_may_come_in(host: str) -> None:
    said = refused(host=host)
    assert said.startswith(f"benchd.toml: web: host = {host!r} offers the page with its power buttons to others")
    assert "`benchd token new NAME --role operator` makes one" in said
    assert Web(host=host, token=[OPERATOR]).wide


def test_so_does_a_name_that_a_proxy_may_call_it_by() -> None:
    assert "names = ['bench.example'] offers the page" in refused(names=["bench.example", "localhost"])
    assert Web(names=["bench.example"], token=[OPERATOR]).called == ["bench.example"]
    assert Web(names=["localhost"]).called == ["localhost"]


@pytest.mark.parametrize("host", ["127.0.0.1", "127.9.8.7", "::1", "localhost", "LOCALHOST."])
def test_this_machine_alone_needs_no_token(host: str) -> None:
    assert not Web(host=host).wide


@pytest.mark.parametrize(
    ("web", "said"),
    [
        ({"token": [{"name": "a", "role": "operator"}]}, "web.token[0]: give either hash or token_file; `benchd token"),
        ({"token": [{**OPERATOR, "token_file": "x"}]}, "web.token[0]: give either hash or token_file"),
        ({"token": [OPERATOR, OPERATOR]}, "web: token name ann: each name may stand once"),
        ({"token": [{**OPERATOR, "role": "admin"}]}, "web.token[0].role = 'admin': allowed: 'viewer' or 'operator'"),
        ({"token": [{**OPERATOR, "name": "Command line"}]}, "web.token[0].name = 'Command line': allowed is a name of"),
        ({"token": [{**OPERATOR, "name": "a\nb"}]}, r"web.token[0].name = 'a\nb': allowed is a name of"),
        ({"tls_cert_file": "a.pem"}, "web: tls_cert_file and tls_key_file go together"),
        ({"tls_key_file": "a.key"}, "web: tls_cert_file and tls_key_file go together"),
        ({"session_days": float("nan")}, "web.session_days = nan: allowed: 365.0 or less"),
        ({"session_days": 0}, "web.session_days = 0: allowed: 0.01 or more"),
        ({"host": ""}, "web.host = '': allowed: at least 1 character"),
        ({"host": "a b"}, "web.host = 'a b': allowed is an address of this machine"),
        ({"names": ["http://bench"]}, "web.names = ['http://bench']: 'http://bench': allowed are host names"),
    ],
)
def test_a_fault_is_named(web: dict[str, Any], said: str) -> None:
    assert f"benchd.toml: {said}" in refused(**web)


def test_a_token_that_stands_where_its_hash_belongs_is_not_shown() -> None:
    secret = tokens.new_token()
    for token in ({**OPERATOR, "hash": secret}, {**OPERATOR, "token": secret}, secret):
        assert secret not in refused(token=[token])
    assert secret not in refused(token=secret)


@given(st.text())
def test_no_two_tokens_have_one_hash_and_none_is_in_its_hash(text: str) -> None:
    hashed = tokens.hash_of(text)
    assert tokens.HASH.fullmatch(hashed)
    assert tokens.same(hashed, tokens.hash_of(text))
    assert not tokens.same(hashed, tokens.hash_of(text + "x"))


def test_a_hash_is_that_of_fips_180() -> None:
    # FIPS 180-4 example, "abc": NIST, Cryptographic Standards and Guidelines, example values, SHA256.
    assert tokens.hash_of("abc") == "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_tokens_are_long_and_never_the_same() -> None:
    made = {tokens.new_token() for _ in range(100)}
    assert len(made) == 100
    assert all(len(token) == len(tokens.PREFIX) + 43 for token in made)


@pytest.mark.parametrize("name", ["0x7f000001", "127.1", "localhost.evil", "2130706433", "", "127.0.0.1.evil"])
def test_what_only_looks_like_this_machine_is_not_it(name: str) -> None:
    assert not is_loopback(name)
