"""The label of a job: a picture to print, with the id as a QR code (ISO/IEC 18004), and what a scanner reads of it.

62 mm × 29 mm, as common label rolls have it (common practice, no source).
"""

from __future__ import annotations

import io
import re
import textwrap
import unicodedata
from xml.sax.saxutils import escape

import segno

from benchd.jobs.job import JOB_ID, Job

WIDTH_MM, HEIGHT_MM = 62, 29
_CODE_MM, _LEFT_MM = 27.0, 29.0
"""The code with its quiet zone, and where the words begin."""
_ROOM_MM = WIDTH_MM - _LEFT_MM - 1.5
_WIDE, _WIDE_CAPITAL, _WIDE_FULL = 0.6, 0.8, 1.0
"""Of a letter, to its height; about, since which font prints it is not known here. The last: of East Asian letters
(Unicode, UAX #11)."""
_QUIET = 4
"""Modules around the code (ISO/IEC 18004, 5.3.8)."""
_SCANNER = re.compile(r"\][A-Za-z][0-9A-Za-z]")
"""What a scanner may put before what it read, to say which kind of code it was (ISO/IEC 15424)."""


def label_svg(job: Job, date: str) -> str:
    """The label as SVG, sized in mm. `date`: of the intake, in words for the person who takes it in hand."""
    id_mm = min(6.5, _ROOM_MM / _width(job.id))
    lines = textwrap.wrap(" ".join(job.device.split()), int(_ROOM_MM / (_WIDE * 3.2)), max_lines=3, placeholder=" …")
    texts = [_text(job.id, id_mm, 8.0, bold=True)]
    texts += [_text(line, 3.2, 13.0 + 4.0 * n) for n, line in enumerate(lines)]
    texts.append(_text(date, 2.8, HEIGHT_MM - 2.5))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM}mm" height="{HEIGHT_MM}mm" '
        f'viewBox="0 0 {WIDTH_MM} {HEIGHT_MM}" role="img"><title>Label of job {escape(job.id)}</title>'
        f'<rect width="{WIDTH_MM}" height="{HEIGHT_MM}" fill="#fff"/>{_code(job.id)}{"".join(texts)}</svg>\n'
    )


def id_on_label(read: str) -> str | None:
    """The job's id in what a scanner typed, or a person in its place; None: there is none in it."""
    text = _SCANNER.sub("", "".join(c for c in read if c.isprintable()).strip(), count=1)
    return text if JOB_ID.fullmatch(text) else None


def _code(text: str) -> str:
    code = segno.make_qr(text, error="m")
    modules = code.symbol_size(border=_QUIET)[0]
    out = io.BytesIO()
    code.save(out, kind="svg", border=_QUIET, xmldecl=False, svgns=False, nl=False, svgclass=None, lineclass=None)
    path = re.search(r"<path[^>]*/>", out.getvalue().decode())
    assert path is not None
    scale = _CODE_MM / modules
    return f'<g transform="translate(1 1) scale({scale:.5f})">{path[0]}</g>'


def _width(words: str) -> float:
    """About, to the letters' height."""
    full = sum(unicodedata.east_asian_width(c) in "WF" for c in words)
    capitals = sum(c.isupper() for c in words)
    return _WIDE_FULL * full + _WIDE_CAPITAL * capitals + _WIDE * (len(words) - full - capitals)


def _text(words: str, height_mm: float, at_mm: float, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    if _width(words) * height_mm > 0.99 * _ROOM_MM:  # pressed together rather than cut off
        weight += f' textLength="{_ROOM_MM}" lengthAdjust="spacingAndGlyphs"'
    return (
        f'<text x="{_LEFT_MM}" y="{at_mm}" font-family="sans-serif" font-size="{height_mm:.2f}"{weight} fill="#000">'
        f"{escape(words)}</text>"
    )
