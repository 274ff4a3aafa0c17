"""The modules that the page needs at once, named in index.html so that a browser asks for all of them together instead
of finding each in another: `python -m tests.page.preloads` writes them anew."""

from __future__ import annotations

import re
from pathlib import Path

WEB = Path(__file__).parents[2] / "dashboards" / "web"
INDEX = WEB / "index.html"
IMPORTED = re.compile(r'^(?:import|export)\b[^"\n]*"(\.[^"]+)"|\bawait import\("(\.\./vendor/[^"]+)"\)', re.MULTILINE)
"""What a module brings before it runs; of what it brings while it runs only the plot library is wanted at once."""
SCRIPT = re.compile(r'<script type="module" src="([^"]+)"></script>')
LINES = re.compile(r'(?:<link rel="modulepreload" href="[^"]+">\n)*(?=<script type="module")')


def needed() -> list[str]:
    """All modules that the scripts of index.html lead to, themselves left out."""
    scripts = [WEB / name for name in SCRIPT.findall(INDEX.read_text("utf-8"))]
    seen: dict[Path, None] = {}
    waiting = list(scripts)
    while waiting:
        module = waiting.pop(0)
        for found in IMPORTED.findall(module.read_text("utf-8")):
            other = (module.parent / (found[0] or found[1])).resolve()
            if other not in seen and other not in scripts:
                seen[other] = None
                waiting.append(other)
    return [str(module.relative_to(WEB)) for module in seen]


def written() -> str:
    """index.html with exactly those."""
    lines = "".join(f'<link rel="modulepreload" href="{name}">\n' for name in needed())
    return LINES.sub(lambda _: lines, INDEX.read_text("utf-8"), count=1)


if __name__ == "__main__":
    INDEX.write_text(written(), "utf-8")
