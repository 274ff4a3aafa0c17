"""What is made from the code: the JSON Schema of profiles, and the list of their keys in drivers/README.md.

python -m tests.generated     writes them; the tests fail when they are out of date
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from benchd.supplies.profile import profile_schema

DRIVERS = Path(__file__).resolve().parent.parent / "drivers"
SCHEMA = DRIVERS / "profile.schema.json"
README = DRIVERS / "README.md"


def schema_text() -> str:
    """The schema file."""
    return json.dumps(profile_schema(), indent=1, ensure_ascii=False) + "\n"


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
    assert begin in text, f"drivers/README.md has no line {begin!r}"
    head, _, rest = text.partition(begin)
    assert end in rest, f"drivers/README.md has no line {end!r}"
    return head + begin + "\n" + new + "\n" + end + rest.partition(end)[2]


def files() -> dict[Path, Callable[[], str]]:
    """Each file, and what it has to hold."""
    return {SCHEMA: schema_text, README: lambda: between(README.read_text("utf-8"), "keys", key_list())}


if __name__ == "__main__":
    for path, text in files().items():
        path.write_text(text(), "utf-8")
