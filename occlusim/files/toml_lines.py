"""On which line of a TOML text a key stands: the standard reader keeps no line numbers."""

from __future__ import annotations

import re
from collections.abc import Sequence

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(
    r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*="""
)
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""' r"|'''.*?'''" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'" r"|#[^\n]*",
    re.DOTALL,
)

Path = tuple[str | int, ...]


def find_line(text: str, key: Sequence[str | int]) -> int:
    """Return the line, from 1, of a key or else of the nearest table that holds it; 0 if none.

    Parameters
    ----------
    text : str
        A valid TOML text.
    key : sequence
        Names of tables and the key; a number counts the tables of an array of tables.
    """
    lines = key_lines(text)
    wanted = tuple(key)
    while wanted:
        plain = tuple(part for part in wanted if not isinstance(part, int))
        for candidate in (wanted, plain):
            if candidate in lines:
                return lines[candidate]
        wanted = wanted[:-1]
    return 0


def key_lines(text: str) -> dict[Path, int]:
    """Return the line, from 1, of every table header and key at the start of a line."""
    lines: dict[Path, int] = {}
    table: Path = ()
    n_tables: dict[Path, int] = {}
    depth = 0
    for number, line in enumerate(_without_strings(text).split("\n"), start=1):
        if depth == 0:
            header = _HEADER.match(line)
            if header:
                table = _resolve(_split(header[2]), n_tables)
                if header[1] == "[[":
                    index = n_tables.get(table, 0)
                    n_tables[table] = index + 1
                    table = (*table, index)
                lines.setdefault(table, number)
                continue
            key = _KEY.match(line)
            if key:
                lines.setdefault((*table, *_split(key[1])), number)
        depth += sum(line.count(mark) for mark in "[{") - sum(line.count(mark) for mark in "]}")
    return lines


def _without_strings(text: str) -> str:
    """Return the text with what stands in quotes and comments blanked, line for line.

    Quoted keys are kept as they are: a key is followed by a dot or an equals sign.
    """

    def blank(match: re.Match[str]) -> str:
        found = match[0]
        follows = text[match.end() : match.end() + 20].lstrip(" \t")
        if found[0] != "#" and "\n" not in found and follows[:1] in ("=", "."):
            return found
        return re.sub(r"[^\n]", " ", found)

    return _STRING.sub(blank, text)


def _split(dotted: str) -> tuple[str, ...]:
    parts = re.findall(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""", dotted)
    return tuple(part.strip("\"'") for part in parts)


def _resolve(names: tuple[str, ...], n_tables: dict[Path, int]) -> Path:
    """Return the path of a header: below an array of tables it means its last table."""
    path: Path = ()
    for k, name in enumerate(names):
        path = (*path, name)
        if path in n_tables and k < len(names) - 1:
            path = (*path, n_tables[path] - 1)
    return path
