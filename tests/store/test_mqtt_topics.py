"""Topics against the standard's rules as a library of it applies them, and the words that the commands know."""

from __future__ import annotations

import msgspec
import paho.mqtt.client as paho
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub
from paho.mqtt.enums import CallbackAPIVersion

from benchd.plans.plan import NAME
from benchd.store.mqtt_discovery import configs, is_config, old_filter
from benchd.store.mqtt_topics import BENCH_WORDS, EVENTS, OUTPUT_WORDS, TOPICS

NAMES = st.from_regex(NAME, fullmatch=True)
IDS = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", fullmatch=True)
LEVELS = st.fixed_dictionaries(
    {"bench": NAMES, "supply": NAMES, "channel": st.integers(1, 99), "id": IDS,
     "word": st.sampled_from([*OUTPUT_WORDS, *BENCH_WORDS])}
)  # fmt: skip
ANY_LEVEL = st.text(st.characters(exclude_characters="/+#\0", exclude_categories=["Cs"]), max_size=5)


CLIENT = paho.Client(CallbackAPIVersion.VERSION2)


def publishable(topic: str) -> bool:
    """As paho-mqtt 2 decides it (§4.7.1, §4.7.3); NUL, which it lets pass, is refused here."""
    try:
        CLIENT.publish(topic)
    except ValueError:
        return False
    return "\0" not in topic


def test_the_check_is_the_standards() -> None:
    """Examples of §4.7.1 and §4.7.3: what may be published, and what not."""
    assert [publishable(t) for t in ("sport/tennis", "/finance", "a b", "a" * 65535)] == [True] * 4
    assert [publishable(t) for t in ("", "a/+/b", "a/#", "sport+", "a" * 65536, "a\0")] == [False] * 6


@settings(max_examples=60)
@given(st.sampled_from(sorted(TOPICS)), LEVELS)
def test_whatever_names_the_settings_allow_make_a_topic_that_its_filter_and_its_levels_know(
    kind: str, levels: dict[str, str | int]
) -> None:
    topic = TOPICS[kind]
    name = topic.of(**levels)
    assert publishable(name)
    assert not name.startswith("$")
    mine = {level: str(value) for level, value in levels.items() if f"<{level}>" in topic.name}
    assert topic.levels(name) == mine
    assert topic_matches_sub(topic.filter(), name)
    assert topic_matches_sub(topic.filter(bench=levels["bench"]), name)
    assert not topic_matches_sub(topic.filter(bench=f"x{levels['bench']}"), name)


@given(st.sampled_from(sorted(TOPICS)), st.lists(ANY_LEVEL, min_size=1, max_size=7))
def test_levels_and_matching_agree_on_any_topic(kind: str, parts: list[str]) -> None:
    """`+` is one whole level and may be empty (§4.7.1.3). paho's matcher is the reference."""
    topic, name = TOPICS[kind], "/".join(parts)
    for given_name in (name, f"benchd/{name}"):
        if given_name:
            assert (topic.levels(given_name) is not None) == topic_matches_sub(topic.filter(), given_name)


@settings(max_examples=40)
@given(NAMES, st.lists(st.tuples(NAMES, st.integers(1, 99)), max_size=3, unique=True))
def test_descriptions_for_hubs_have_topics_and_ids_of_their_own(bench: str, outputs: list[tuple[str, int]]) -> None:
    made = configs("hub/prefix", bench, outputs)
    assert len(made) == 6 * len(outputs)
    assert len({msgspec.json.decode(payload)["unique_id"] for payload in made.values()}) == len(made)
    for topic in made:
        assert publishable(topic)
        assert topic_matches_sub(old_filter("hub/prefix", bench), topic)
        assert is_config("hub/prefix", bench, topic)
        assert not is_config("hub/prefix", f"x{bench}", topic)


@settings(max_examples=40)
@given(NAMES, NAMES, NAMES, NAMES, st.integers(1, 99), st.integers(1, 99))
def test_no_two_outputs_of_any_benches_share_an_id(a: str, b: str, of_a: str, of_b: str, one: int, two: int) -> None:
    ids = [
        {msgspec.json.decode(payload)["unique_id"] for payload in configs("h", bench, [output]).values()}
        for bench, output in ((a, (of_a, one)), (b, (of_b, two)))
    ]
    assert ids[0].isdisjoint(ids[1]) == ((a, of_a, one) != (b, of_b, two))


def test_each_kind_has_one_topic_and_each_word_says_what_it_does() -> None:
    assert len({topic.name for topic in TOPICS.values()}) == len(TOPICS)
    assert set(EVENTS.values()) == {"trip", "finding", "procedure"}
    for word in (*OUTPUT_WORDS.values(), *BENCH_WORDS.values()):
        assert word.about.endswith(".")
    assert [word for words in (OUTPUT_WORDS, BENCH_WORDS) for word in words if words[word].free] == ["off", "off"]


@pytest.mark.parametrize("kind", sorted(TOPICS))
def test_a_level_that_is_missing_is_no_topic(kind: str) -> None:
    with pytest.raises(KeyError):
        TOPICS[kind].of()
