"""The reference of MQTT topics and payloads, made from the code: benchd/store/MQTT.md. `python -m tests.generated`."""

from __future__ import annotations

import ast
import inspect
import re
from collections.abc import Iterator

import msgspec

from benchd.daemon.mqtt_commands import REMEMBERED
from benchd.store import mqtt_payloads
from benchd.store.mqtt_broker import KEEPALIVE_S
from benchd.store.mqtt_discovery import STALE_S, configs
from benchd.store.mqtt_events import AGAIN_MOST, AGAIN_S
from benchd.store.mqtt_payloads import Order
from benchd.store.mqtt_topics import BENCH_WORDS, OUTPUT_WORDS, TOPICS, Word
from benchd.traces import trace

WORDS = {"float": "number", "int": "whole number", "str": "text", "bool": "true or false", "Above0": "number above 0",
         "None": "null", "dict[str, Any]": "object"}  # fmt: skip


TEXT = """\
# MQTT: topics and payloads

Made from the code by `python -m tests.generated`; what is really published is checked against it.

Payloads but `availability` are JSON objects in UTF-8, the unit in the key (`current_a`, `voltage_v`, `_c` coulomb, `_j`
joule, `_a2s` A²s); `t_ns` and other `_ns` are ns since the epoch, UTC. null: not known. A later version may add keys.

## Topics

| topic | payload | QoS | retained | |
| --- | --- | --- | --- | --- |
{topics}

- A state holds only while `availability` is `online` and its `run` is that of `who`. A broker keeps the last one for
  ever: an `off` of a bench that is away is of an earlier time, and says nothing of now.
- The broker says `offline` for a daemon that it has not heard of for {gone_s:g} s.
- After a lost connection, trips, findings and ends of procedures of the last {again_s:g} s before it come again
  ({again_most} at most): a broker that is killed forgets what it has taken and not yet written. Drop an `id` that was
  seen before, and each is there once. A subscriber that is away itself needs a session that lasts, QoS 1, and a broker
  that keeps sessions on its disk.
- Two daemons with one bench name: the second publishes nothing, and says so on its page; so does the first.

## Commands

To `benchd/<bench>/do/<supply>/<channel>/<word>`:

{output_words}

To `benchd/<bench>/do/<word>`, for the whole bench:

{bench_words}

Each is answered at `benchd/<bench>/done/<id>`. Publish with QoS 1 and not retained: a retained command may be of any
age. One that the broker has kept is never carried out; of those that are published retained while the daemon listens,
off is, and the others are refused (with MQTT 3.1.1 they cannot be told from an order for now, and are carried out). A
command for a daemon that is away is lost: no broker keeps it. With `not_after_ns`, or MQTT 5's Message Expiry Interval,
one that was held up on its way is not carried out. An id that comes again, of the last {remembered}, is answered again
and carried out once; off is carried out each time.

## Payloads

{payloads}

## Descriptions for home-automation hubs

With `discovery = true`, retained, QoS 1; taken away again with `discovery = false`. For the output `psu` 1 of the bench
`north`, with the usual `discovery_prefix`:

| topic | shows | from |
| --- | --- | --- |
{descriptions}

Numbers older than {stale_s} s are not shown. There is nothing to switch on with.
"""


def reference_text() -> str:
    """The whole file."""
    return TEXT.format(
        topics="\n".join(map(_topic_row, TOPICS)),
        gone_s=1.5 * KEEPALIVE_S,
        again_s=AGAIN_S,
        again_most=AGAIN_MOST,
        output_words="\n".join(_words(OUTPUT_WORDS)),
        bench_words="\n".join(_words(BENCH_WORDS)),
        remembered=REMEMBERED,
        payloads="\n".join(_payloads()).strip(),
        descriptions="\n".join(_descriptions()),
        stale_s=STALE_S,
    )


def _topic_row(kind: str) -> str:
    topic = TOPICS[kind]
    payload = "word" if topic.payload is None else _link(topic.payload)
    return f"| `{topic.name}` | {payload} | {topic.qos} | {'yes' if topic.retained else ''} | {topic.about} |"


def _words(words: dict[str, Word]) -> Iterator[str]:
    yield "| word | payload | needs `commands = true` | |"
    yield "| --- | --- | --- | --- |"
    for name, word in words.items():
        payload = "any, or " if word.free else ""
        yield f"| `{name}` | {payload}{_link(word.payload)} | {'' if word.free else 'yes'} | {word.about} |"


def _link(payload: type) -> str:
    return f"[{payload.__name__}](#{payload.__name__.lower()})"


def payload_types() -> list[type[msgspec.Struct]]:
    """Every payload, in the order of the file in which they are."""
    made = [value for value in vars(mqtt_payloads).values() if inspect.isclass(value)]
    nested = [trace.Finding, trace.Evidence, trace.Alternative, trace.Divergence]
    return [m for m in made if issubclass(m, msgspec.Struct) and m.__module__ == mqtt_payloads.__name__] + nested


def _payloads() -> Iterator[str]:
    for payload in payload_types():
        docs = {**_keys(Order), **_keys(payload)} if issubclass(payload, Order) else _keys(payload)
        yield ""
        yield f"### {payload.__name__}"
        yield ""
        yield inspect.cleandoc(payload.__doc__ or "").replace("\n", " ")
        yield ""
        yield "| key | | |"
        yield "| --- | --- | --- |"
        for key in payload.__struct_fields__:
            kind, about = docs[key]
            yield f"| `{key}` | {kind} | {about} |"


def _keys(payload: type) -> dict[str, tuple[str, str]]:
    """Key → its kind in words, and the text below it in the code."""
    (made,) = ast.parse(inspect.getsource(payload)).body
    assert isinstance(made, ast.ClassDef)
    keys: dict[str, tuple[str, str]] = {}
    last = ""
    for line in made.body:
        if isinstance(line, ast.AnnAssign) and isinstance(line.target, ast.Name):
            last = line.target.id
            keys[last] = (_kind(ast.unparse(line.annotation)), "")
        elif isinstance(line, ast.Expr) and isinstance(line.value, ast.Constant) and last:
            text = re.sub(r"\bNone\b", "null", " ".join(str(line.value.value).split())).replace("|", "\\|")
            keys[last] = (keys[last][0], text)
            last = ""
    return keys


def _kind(annotation: str) -> str:
    several = re.fullmatch(r"tuple\[(\w+), \.\.\.\]", annotation)
    if several:
        return f"list of {_kind(several[1])}"
    parts = [WORDS.get(part, f"[{part}](#{part.lower()})") for part in annotation.split(" | ")]
    return " or ".join(parts)


def _descriptions() -> Iterator[str]:
    for topic, payload in configs("homeassistant", "north", [("psu", 1)]).items():
        entity = msgspec.json.decode(payload)
        source = entity.get("state_topic") or entity.get("command_topic")
        unit = f", {entity['unit_of_measurement']}" if "unit_of_measurement" in entity else ""
        yield f"| `{topic}` | {entity['name']}{unit} | `{source}` |"
