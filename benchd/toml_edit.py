"""Changes what the text of a TOML file says: comments, order and layout of everything else stay as they are.

The text is taken apart into pieces: table headers, keys with their values, and notes (comments and empty lines). A
value is changed in its piece by a library that keeps comments; a new key goes to where a note shows it (`# key = …`),
else behind the last key of its table. What comes out is read again, and must say what was wanted.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Literal, NamedTuple

import tomlkit
from tomlkit.exceptions import TOMLKitError

from benchd.checked import SECRET_KEYS

Path = tuple[str | int, ...]
"""The way to a value: keys, and the numbers of tables in a list."""

LONGEST_LINES = 400
"""Of one value: more are not searched for its end. Our choice."""


class EditError(ValueError):
    """The text cannot be changed so without losing something of it. Says what to do."""


class Piece(NamedTuple):
    """Some lines of the text that belong together."""

    kind: Literal["header", "key", "note"]
    first: int
    """Its first line; the first of all is 0."""
    end: int
    """The line behind its last one."""
    table: Path
    """The table that a header begins, or that a key or note stands in."""
    says: Mapping[str, Any]
    """What a key and its value say, inside the table."""


def with_values(text: str, wanted: Mapping[str, Any]) -> str:
    """The text, changed so that it says `wanted` and nothing else. Lists of tables keep their order.

    Raises EditError, also for a text that is no TOML.
    """
    try:
        before = tomllib.loads(text)
        for step in _steps((), before, wanted):
            text = step(text)
        says = tomllib.loads(text)
    except (ValueError, RecursionError, TOMLKitError) as error:
        if isinstance(error, EditError):
            raise
        raise EditError(f"not changed: {error}; change it as text") from error
    if not _same(says, wanted):
        raise EditError("not changed, since something else in the file would change with it; change it as text")
    return text


class Lines:
    """Where in a text each value stands. Looked for once: a text may have as many faults as it has lines."""

    def __init__(self, text: str) -> None:
        self._of: dict[Path, int] = {}
        try:
            for piece in pieces(text):
                for path in [piece.table] if piece.kind == "header" else _ways(piece.table, piece.says):
                    self._of.setdefault(path, piece.first + 1)
        except EditError:  # what could not be taken apart has no lines
            self._of.clear()

    def line_of(self, path: Path) -> int | None:
        """The line (the first is 1) where a value stands, or the table that should have it; None: not known."""
        return next((line for n in range(len(path), 0, -1) if (line := self._of.get(path[:n])) is not None), None)


def _ways(to: Path, says: Any) -> Iterator[Path]:
    """The ways to all that a key's piece says."""
    inner = says.items() if isinstance(says, Mapping) else enumerate(says) if isinstance(says, list) else ()
    for key, each in inner:
        yield (*to, key)
        yield from _ways((*to, key), each)


def pieces(text: str) -> Iterator[Piece]:
    """The text, piece by piece. Raises EditError where it is no TOML."""
    lines = _lines(text)
    counts: dict[Path, int] = {}
    table: Path = ()
    at = 0
    while at < len(lines):
        bare = lines[at].strip()
        if not bare or bare.startswith("#"):
            yield Piece("note", at, at + 1, table, {})
            at += 1
        elif bare.startswith("["):
            table = _opened(lines[at], counts)
            yield Piece("header", at, at + 1, table, {})
            at += 1
        else:
            end, says = _whole(lines, at)
            yield Piece("key", at, end, table, says)
            at = end


def _lines(text: str) -> list[str]:
    return re.findall(r"[^\n]*\n|[^\n]+", text)


def _whole(lines: Sequence[str], at: int) -> tuple[int, dict[str, Any]]:
    """Where a value that begins in this line ends: with the first line by which it can be read."""
    for end in range(at + 1, min(len(lines), at + LONGEST_LINES) + 1):
        try:
            return end, tomllib.loads("".join(lines[at:end]))
        except (ValueError, RecursionError):
            continue
    raise EditError(f"line {at + 1}: cannot be read; change the file as text")


def _opened(line: str, counts: dict[Path, int]) -> Path:
    """The table that a header begins; `counts`: how many tables each list has so far."""
    try:
        says: Any = tomllib.loads(line)
    except ValueError as error:
        raise EditError(f"{line.strip()}: cannot be read: {error}") from error
    names: list[str] = []
    while says:
        name, says = next(iter(says.items())) if isinstance(says, dict) else (None, says[0])
        names += [name] if name is not None else []
    path: Path = ()
    for name in names[:-1]:
        path += (name,)
        if path in counts:
            path += (counts[path] - 1,)
    path += (names[-1],)
    if line.lstrip().startswith("[["):
        counts[path] = counts.get(path, 0) + 1
        path += (counts[path] - 1,)
    return path


# ---- what is to be done ------------------------------------------------------------------------------------------


class _Step(NamedTuple):
    """One change. Called with the text, it gives the changed one."""

    what: Literal["set", "add", "remove"]
    path: Path
    value: Any = None

    def __call__(self, text: str) -> str:
        match self.what:
            case "set":
                return _set(text, self.path, self.value)
            case "add":
                return _add(text, self.path, self.value)
            case "remove":
                return _remove(text, self.path)


def _steps(path: Path, old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[_Step]:
    for key in old:
        if key not in new:
            yield _Step("remove", (*path, key))
    for key, value in new.items():
        here = (*path, key)
        if key not in old:
            yield _Step("add", here, value)
        elif isinstance(value, Mapping) and isinstance(old[key], Mapping):
            yield from _steps(here, old[key], value)
        elif _tables(value) and _tables(old[key]):
            yield from _list_steps(here, old[key], value)
        elif not _same(old[key], value):
            yield _Step("set", here, value)


def _list_steps(path: Path, old: Sequence[Any], new: Sequence[Any]) -> Iterator[_Step]:
    """Tables that are gone go, from the last one; those that stay are changed; new ones come behind."""
    pairs = _paired(old, new)
    stay = [of for of in pairs if of is not None]
    if stay != sorted(stay) or None in pairs[: len(stay)]:
        raise EditError(f"{path[-1]}: the order of these tables cannot be changed here; change it as text")
    for number in reversed(range(len(old))):
        if number not in stay:
            yield _Step("remove", (*path, number))
    for number, of in enumerate(stay):
        yield from _steps((*path, number), old[of], new[number])
    for number in range(len(stay), len(new)):
        yield _Step("add", (*path, number), new[number])


def _paired(old: Sequence[Any], new: Sequence[Any]) -> list[int | None]:
    """For each new table the number of the old one that it comes from, by name or else by place; None: it is new."""
    names = [_key(each) for each in old]
    pairs = [names.index(key) if (key := _key(each)) in names else None for each in new]
    for number, of in enumerate(pairs):
        if of is None and number < len(old) and number not in pairs:
            pairs[number] = number
    return pairs


def _key(table: Any) -> Any:
    return next((table[key] for key in ("name", "number") if key in table), None)


def _tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(each, Mapping) for each in value)


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return bool(one == other) and isinstance(one, bool) == isinstance(other, bool)


# ---- doing it ------------------------------------------------------------------------------------------------------


def _inside(piece: Piece, path: Path) -> Path | None:
    """The rest of a path inside of what a key's piece says; None: it says nothing of it."""
    if piece.kind != "key" or path[: len(piece.table)] != piece.table:
        return None
    rest = path[len(piece.table) :]
    says: Any = piece.says
    for part in rest:
        try:
            says = says[part]
        except (KeyError, IndexError, TypeError):
            return None
    return rest or None


def _holder(text: str, path: Path) -> tuple[Piece, Path] | None:
    return next(((p, rest) for p in pieces(text) if (rest := _inside(p, path)) is not None), None)


def _set(text: str, path: Path, value: Any) -> str:
    held = _holder(text, path)
    if held is None:
        raise EditError(f"{path[-1]}: its place in the file was not found; change it as text")
    piece, rest = held
    return _changed(text, piece, rest, value)


def _changed(text: str, piece: Piece, rest: Path, value: Any) -> str:
    lines = _lines(text)
    document: Any = tomlkit.parse("".join(lines[piece.first : piece.end]))
    inside = document
    for part in rest[:-1]:
        inside = inside[part]
    inside[rest[-1]] = value
    new = tomlkit.dumps(document)
    if lost := [each for each in _comments("".join(lines[piece.first : piece.end])) if each not in new]:
        raise EditError(f"{rest[-1]}: a comment inside of its value would be lost ({lost[0]}); change it as text")
    lines[piece.first : piece.end] = [new]
    return "".join(lines)


def _add(text: str, path: Path, value: Any) -> str:
    table, key = path[:-1], path[-1]
    if isinstance(value, Mapping) or isinstance(key, int) or _tables(value):
        return _with_table(text, path, value)
    held = _holder(text, table) if table else None
    if held is not None:  # its table is written inline, or by dotted keys
        return _changed(text, held[0], (*held[1], key), value)
    found = list(pieces(text))
    at = _place(text, found, table, str(key))
    if at is None:
        return _with_table(text, table, {str(key): value})
    return _inserted(text, at, [_line(str(key), value)])


def _line(key: str, value: Any) -> str:
    return f"{tomlkit.key(key).as_string()} = {tomlkit.item(value).as_string()}"


def _place(text: str, found: Sequence[Piece], table: Path, key: str) -> int | None:
    """The line before which a new key of a table goes; None: the table has no header."""
    mine = [piece for piece in found if piece.table == table]
    if table and not any(piece.kind == "header" for piece in mine):
        return None
    lines = _lines(text)
    shown = re.compile(rf"\s*#\s*{re.escape(key)}\s*=")
    for piece in mine:
        if piece.kind == "note" and shown.match(lines[piece.first]):
            end = piece.end
            while end < len(lines) and _goes_on(lines[piece.first], lines[end]):
                end += 1
            return end
    behind = [piece.end for piece in mine if piece.kind != "note"]
    if behind:
        return behind[-1]
    first = next((piece.first for piece in found if piece.kind == "header"), len(lines))
    while first and lines[first - 1].strip():  # what is noted above a header is about that header
        first -= 1
    return first


def _goes_on(note: str, line: str) -> bool:
    """A note that is only the rest of the one before it: it begins further to the right."""
    deeper = len(line) - len(line.lstrip()) > len(note) - len(note.lstrip())
    return deeper and line.lstrip().startswith("#")


def _inserted(text: str, at: int, new: Sequence[str]) -> str:
    lines = _lines(text)
    end = "\r\n" if lines and lines[0].endswith("\r\n") else "\n"
    if at and not lines[at - 1].endswith("\n"):
        lines[at - 1] += end
    lines[at:at] = [line + end for line in new]
    return "".join(lines)


def with_block(text: str, path: Path, block: str) -> str:
    """The text with one more table, which is text with comments of its own. `path`: list and number of the new table.

    Comments above the table that follows stay with it. Raises EditError.
    """
    try:
        return _with_lines(text, path, block.splitlines())
    except (ValueError, RecursionError) as error:
        raise error if isinstance(error, EditError) else EditError(f"not changed: {error}") from error


def _with_table(text: str, path: Path, value: Any) -> str:
    """A new table, or tables, with all that is in them."""
    return _with_lines(text, path, list(_table_lines(path, value)))


def _with_lines(text: str, path: Path, new: list[str]) -> str:
    found, lines = list(pieces(text)), _lines(text)
    listed = path[:-1] if isinstance(path[-1], int) else path
    if _holder(text, listed) is not None:
        raise EditError(f"{listed[-1]}: is written in one line; change it as text")
    before = [p.end for p in found if p.kind != "note" and p.table[: len(listed)] == listed]
    shown = re.compile(rf"\s*#\s*\[\[?{re.escape('.'.join(map(str, listed)))}\]")
    noted = [p.end for p in found if p.kind == "note" and shown.match(lines[p.first])]
    at = _behind_notes(lines, (before or noted or [len(lines)])[-1])
    if next((p.kind for p in found if p.first >= at and p.kind != "note"), "header") == "key":
        at = len(lines)  # these keys would go over to the new table
    if at and lines[at - 1].strip():
        new = ["", *new]
    if at < len(lines) and lines[at].strip():
        new = [*new, ""]
    return _inserted(text, at, new)


def _behind_notes(lines: Sequence[str], at: int) -> int:
    """Notes right below belong to what is above, but not where a table's header follows them: those are about it."""
    end = at
    while end < len(lines) and lines[end].strip().startswith("#"):
        end += 1
    return at if end < len(lines) and lines[end].strip().startswith("[") else end


def _table_lines(path: Path, value: Any) -> Iterator[str]:
    if isinstance(value, list):
        for number, each in enumerate(value):
            yield from [""] * bool(number)
            yield from _table_lines((*path, number), each)
        return
    name = ".".join(tomlkit.key(part).as_string() for part in path if isinstance(part, str))
    yield f"[[{name}]]" if isinstance(path[-1], int) else f"[{name}]"
    deeper = {key: each for key, each in value.items() if isinstance(each, Mapping) or _tables(each)}
    yield from (_line(key, each) for key, each in value.items() if key not in deeper)
    for key, each in deeper.items():
        yield ""
        yield from _table_lines((*path, key), each)


def _remove(text: str, path: Path) -> str:
    """Take out a key, or a table with all that is in it. A line with a comment of its own becomes a comment; of one
    with a secret only the comment stays."""
    found, lines = list(pieces(text)), _lines(text)
    gone = [p for p in found if p.kind != "note" and p.table[: len(path)] == path]
    gone += [p for p in found if _inside(p, path) is not None]
    if not gone:
        raise EditError(f"{path[-1]}: its place in the file was not found; change it as text")
    for piece in sorted(gone, key=lambda each: each.first, reverse=True):
        rest = _inside(piece, path)
        if rest is not None and _leaves(piece.says) > 1:
            raise EditError(f"{path[-1]}: stands with other keys in one line; change it as text")
        old = lines[piece.first : piece.end]
        told = _comments("".join(old))
        kept = [f"{each}\n" for each in told] if SECRET_KEYS & piece.says.keys() else [f"# {line}" for line in old]
        lines[piece.first : piece.end] = kept if told else []
    return "".join(lines)


def _leaves(value: Any) -> int:
    return sum(map(_leaves, value.values())) if isinstance(value, Mapping) and value else 1


def _comments(text: str) -> list[str]:
    """What stands behind each '#' that can go without the value: that is a comment, and no part of a text."""
    found = re.finditer(r"#[^\r\n]*", text)
    return [m[0] for m in found if _reads_alike(text, text[: m.start()], text[m.end() :])]


def _reads_alike(text: str, before: str, after: str) -> bool:
    try:
        return _same(tomllib.loads(text), tomllib.loads(before + after))
    except ValueError:
        return False
