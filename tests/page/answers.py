"""What the API answers, as types for the page's code: `python -m tests.page.answers` writes shared/types.d.ts anew."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from benchd.web.description import SHAPES

FILE = Path(__file__).parents[2] / "dashboards" / "web" / "shared" / "types.d.ts"
HEAD = """// What the bench answers, by the names of its description at /api/v1/openapi.json. Written by
// `python -m tests.page.answers` from the shapes of benchd/web/description.py; only tsc reads it, no browser does.
"""
SIMPLE = {"integer": "number", "number": "number", "string": "string", "boolean": "boolean", "null": "null"}


def declarations() -> str:
    """The whole file."""
    _, shapes = msgspec.json.schema_components(SHAPES, ref_template="{name}")
    return HEAD + "".join(f"\n{_declared(name, shapes[name])}" for name in sorted(shapes))


def _declared(name: str, schema: dict[str, Any]) -> str:
    said = " ".join(schema.get("description", "").split())
    comment = f"/** {said} */\n" if said else ""
    if "properties" not in schema:
        return f"{comment}export type {name} = {type_of(schema)};\n"
    # Answers are whole: what has a default is in them, too.
    keys = "".join(f"  {key}: {type_of(of)};\n" for key, of in schema["properties"].items())
    return f"{comment}export interface {name} {{\n{keys}}}\n"


def type_of(schema: dict[str, Any]) -> str:
    """A JSON schema as a type; what it says nothing about is `any`."""
    if "$ref" in schema:
        return str(schema["$ref"])
    if "enum" in schema:
        return " | ".join(f'"{value}"' for value in schema["enum"])
    if "anyOf" in schema:
        return " | ".join(type_of(one) for one in schema["anyOf"])
    kind = schema.get("type")
    if kind == "array":
        if "prefixItems" in schema:
            return f"[{', '.join(type_of(one) for one in schema['prefixItems'])}]"
        return f"Array<{type_of(schema.get('items', {}))}>"
    if kind == "object":
        inner = schema.get("additionalProperties", {})
        return f"Record<string, {type_of(inner) if isinstance(inner, dict) else 'any'}>"
    return SIMPLE.get(kind or "", "any")


def main() -> None:
    """Write the file."""
    FILE.write_text(declarations(), "utf-8")


if __name__ == "__main__":
    main()
