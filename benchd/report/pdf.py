"""A report as PDF, set by typst. What the report says goes in as data (JSON, pictures as files of their own) and is put
on paper by `report.typ` as text: nothing in it is ever read as markup."""

from __future__ import annotations

import base64
import importlib.util
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import msgspec

from benchd.report.document import Document, Drawings, Photo, Photos, kept

_UNUSUAL = re.compile(r"[^\u0000-\u052f\u1e00-\u22ff]")
"""Letters that the fonts which come along may not have: the machine's own are looked through then, for 0.2 s."""
_LONG, _SOME = re.compile(r"\S{40,}"), re.compile(r"\S{1,12}")
TEMPLATE = Path(__file__).with_name("report.typ")


class PdfError(RuntimeError):
    """The report could not be set. Text is for the operator."""


def pdf(document: Document, made_ns: int) -> bytes:
    """The PDF. `made_ns`: what it says of when it was made, ns since the epoch. Raises PdfError."""
    import typst

    files: dict[str, bytes] = {"main.typ": TEMPLATE.read_bytes()}
    files["report.json"] = msgspec.json.encode(_data(document, files))
    usual = not any(_UNUSUAL.search(content.decode()) for content in files.values())
    try:
        # That several files may be given in memory is not in the library's types.
        compiler = typst.Compiler(input=cast(Any, files), font_paths=_fonts(), ignore_system_fonts=usual)
        made = compiler.compile(format="pdf", timestamp=datetime.fromtimestamp(made_ns // 10**9, UTC))
    except typst.TypstError as e:
        raise PdfError(f"the report could not be set as PDF: {e}") from None
    if not isinstance(made, bytes):
        raise PdfError(f"the report could not be set as PDF: the library gave {type(made).__name__} in place of bytes")
    return made


def _data(document: Document, files: dict[str, bytes]) -> dict[str, Any]:
    """The document for the template; pictures are put into `files`, and their names in their place."""
    told: dict[str, Any] = msgspec.to_builtins(msgspec.structs.replace(document, blocks=[]))
    for block in document.blocks:
        match block:
            case Drawings():
                shown = [_picture(files, each.svg, each.caption, each.alt) for each in block.items]
                told["blocks"].append({"type": "drawings", "items": shown, "wide": block.wide})
            case Photos():
                shown = [_picture(files, _framed(each), each.caption, each.alt) for each in block.items]
                told["blocks"].append({"type": "photos", "items": shown})
            case _:
                told["blocks"].append(msgspec.to_builtins(block))
    return cast(dict[str, Any], _breakable(told))


def _breakable(value: Any) -> Any:
    """The same, but that a word which is longer than a line may be parted."""
    match value:
        case str():
            return _LONG.sub(lambda word: "\u200b".join(_SOME.findall(word[0])), kept(value))
        case dict():
            return {key: each if key == "file" else _breakable(each) for key, each in value.items()}
        case list() | tuple():
            return [_breakable(each) for each in value]
    return value


def _picture(files: dict[str, bytes], svg: str, caption: str, alt: str) -> dict[str, str]:
    name = f"p{len(files)}.svg"
    files[name] = svg.encode()
    return {"file": name, "caption": caption, "alt": alt}


def _framed(photo: Photo) -> str:
    """A photo as an SVG: the library takes files in memory only where they are text, and a customer's photo has no
    place in a folder for files that anybody leaves behind."""
    content, size = base64.b64encode(photo.jpeg).decode(), f'width="{photo.width}" height="{photo.height}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}><image {size} href="data:image/jpeg;base64,{content}"/></svg>'
    )


def _fonts() -> list[str]:
    """The letters of the drawings: DejaVu Sans, which comes with matplotlib. Typst brings those of the text along; for
    scripts that they have not, the machine's own fonts stand in."""
    spec = importlib.util.find_spec("matplotlib")
    if spec is None or not spec.submodule_search_locations:
        return []
    return [str(Path(spec.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf")]
