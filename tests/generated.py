"""What is made from the code: the JSON Schemas of profiles, signature cards, checklists, kinds of steps and procedures;
in drivers/README.md the list of the profiles' keys, and the table of the supplies with how well each is verified; in
DEVELOPERS.md the picture of the guard's states; benchd/store/MQTT.md, the topics and payloads; benchd/store/LINES.md,
the measurements and fields.

python -m tests.generated     writes them; the tests fail when they are out of date
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from benchd.guard.states import diagram
from benchd.jobs.checklist import checklist_schema
from benchd.jobs.steps import steps_schema
from benchd.procedures.card import card_schema as procedure_schema
from benchd.supplies.profile import load_profile, profile_names, profile_schema
from benchd.supplies.profile_tables import Profile
from benchd.supplies.recording_text import Dialogue, parse
from benchd.traces.card import card_schema
from tests import lines_reference
from tests.mqtt_reference import reference_text

TESTS = Path(__file__).resolve().parent
DRIVERS = TESTS.parent / "drivers"
SCHEMA = DRIVERS / "profile.schema.json"
README = DRIVERS / "README.md"
DEVELOPERS = TESTS.parent / "DEVELOPERS.md"
MQTT = TESTS.parent / "benchd" / "store" / "MQTT.md"
LINES = TESTS.parent / "benchd" / "store" / "LINES.md"
PROCEDURES = TESTS.parent / "benchd" / "procedures" / "shipped"
CARD_SCHEMA = TESTS.parent / "benchd" / "traces" / "cards" / "card.schema.json"
JOBS = TESTS.parent / "benchd" / "jobs"


def schema_text(schema: Callable[[], dict[str, Any]]) -> Callable[[], str]:
    """What makes a schema's file."""
    return lambda: json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"


def key_list() -> str:
    """Every key of every table, with its description, as Markdown."""
    schema = profile_schema()["$defs"]
    lines: list[str] = []
    for table, definition in _tables(schema, "Profile", ""):
        told = definition["description"].partition("\n")[0]
        lines += ["", f"### {table}" if table else "### The top of the file", "", told, ""]
        required = set(definition.get("required", ()))
        for key, value in definition["properties"].items():
            default = "needed" if key in required else _default(value)
            lines.append(f"- `{key}` ({default}): {value.get('description', '').strip()}")
    return "\n".join(lines[1:]) + "\n"


def supply_table() -> str:
    """The shipped profiles by name, as Markdown."""
    recordings = [parse(path.read_text("utf-8"), path.name) for path in sorted((TESTS / "recordings").rglob("*.txt"))]
    lines = [
        "| profile | for | interfaces | outputs | how verified | notes |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for name in profile_names():
        profile = load_profile(name)
        own = [recording for recording in recordings if recording.profile == name and recording.origin == "hardware"]
        interfaces = ", ".join(profile.link.interfaces) or "any"
        cells = (name, profile.description, interfaces, _outputs(profile), _verified(profile, own), _notes(profile))
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"


def _outputs(profile: Profile) -> str:
    told = []
    for output in profile.outputs:
        sign = "-" if output.negative else ""
        numbers = ", ".join(map(str, output.numbers))
        told.append(f"{numbers}: {sign}{output.max_voltage_v:g} V, {output.max_limit_a:g} A")
    told += [f"{number}: fixed, left alone" for number in profile.channels.fixed]
    return "; ".join(told) + (" (largest; differs by model)" if profile.variants else "")


def _verified(profile: Profile, hardware: list[Dialogue]) -> str:
    told = ["**unverified**: asks once before power goes on"] if profile.trust == "unverified" else []
    dialogue = TESTS / "dialogues" / f"{profile.name}.txt"
    if dialogue.exists():
        simulated = parse(dialogue.read_text("utf-8"), dialogue.name).origin == "simulated"
        told.append("dialogue with the simulated supply" if simulated else "dialogue from documents")
    if hardware:
        identities = (profile.identity.named(recording.identity) for recording in hardware)
        models = sorted({named.model for named in identities if named is not None})
        told.append(f"recorded from hardware: {len(hardware)} ({', '.join(models)})")
    if profile.trust == "used":
        told.append("used for repairs")
    return "; ".join(told)


def _notes(profile: Profile) -> str:
    warned = profile.link.serial.levels != "ttl" or any("TTL" in note for note in profile.notes)
    return " ".join([*(() if warned else ("TTL levels on its serial connector.",)), *profile.notes])


def _tables(schema: dict[str, Any], name: str, place: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """The tables in the order of the file; a kind of table that stands in several places is told once."""
    yield place, schema[name]
    seen = {name}
    waiting = [(name, "")]
    while waiting:
        holder, where = waiting.pop(0)
        for key, value in schema[holder]["properties"].items():
            for inner in re.findall(r'"#/\$defs/(\w+)"', json.dumps(value)):
                if inner in seen:
                    continue
                seen.add(inner)
                inside = f"{where}.{key}".strip(".")
                several = value.get("type") == "array"
                title = {"Query": "A question", "Command": "A command", "Bits": "Bits"}.get(inner, "")
                yield title or (f"`[[{inside}]]`" if several else f"`[{inside}]`"), schema[inner]
                waiting.append((inner, inside))


def _default(value: dict[str, Any]) -> str:
    default = value.get("default")
    if default is None or default == {} or (isinstance(default, dict)):
        return "may be left out"
    return f"default `{json.dumps(default, ensure_ascii=False)}`"


def between(text: str, mark: str, new: str) -> str:
    """The text with what stands between the two lines of a mark replaced."""
    begin, end = f"<!-- {mark}: made by `python -m tests.generated` -->\n", f"<!-- end of {mark} -->\n"
    assert begin in text, f"no line {begin!r} in {text[:60]!r} ..."
    head, _, rest = text.partition(begin)
    assert end in rest, f"no line {end!r} in {text[:60]!r} ..."
    return head + begin + "\n" + new + "\n" + end + rest.partition(end)[2]


def readme_text() -> str:
    """drivers/README.md with its made parts made anew."""
    return between(between(README.read_text("utf-8"), "supplies", supply_table()), "keys", key_list())


def developers_text() -> str:
    """DEVELOPERS.md with the picture of the states drawn anew."""
    return between(DEVELOPERS.read_text("utf-8"), "states", f"```mermaid\n{diagram()}```")


def files() -> dict[Path, Callable[[], str]]:
    """Each file, and what it has to hold."""
    return {
        SCHEMA: schema_text(profile_schema), CARD_SCHEMA: schema_text(card_schema),
        JOBS / "checklists" / "checklist.schema.json": schema_text(checklist_schema),
        PROCEDURES / "procedure.schema.json": schema_text(procedure_schema),
        JOBS / "steps.schema.json": schema_text(steps_schema), README: readme_text, DEVELOPERS: developers_text,
        MQTT: reference_text, LINES: lines_reference.reference_text,
    }  # fmt: skip


if __name__ == "__main__":
    for path, text in files().items():
        path.write_text(text(), "utf-8")
