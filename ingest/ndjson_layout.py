"""The layout that most lines of an NDJSON file share, as a pattern that takes only what it fits exactly.

A machine writes its objects with the same names in the same order and spacing. A line that fits the pattern
is valid JSON with exactly those names, so its values can be cut out column-wise; every other line is parsed
on its own.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

import polars as pl
from coilbook.ingest import json_rows

_STRING = r'"(?:[^"\\]|\\.)*"'
_MEMBER = re.compile(rf"({_STRING})(\s*:\s*)({_STRING}|[^\s,}}\]\[{{]+)(\s*,\s*|\s*\}}\s*)")
_OPENING = re.compile(r"\s*\{\s*")
# Text of printable ASCII without escapes; a number, a truth value or null by RFC 8259.
_TEXT = r'"([ !#-\[\]-~]*)"'
_BARE = r"(-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?|null|true|false)"


@dataclass(frozen=True)
class Layout:
    """`pattern` has one group for each of `captured`; `names` are all members, `bare` those not in quotes."""

    pattern: str
    names: tuple[str, ...]
    captured: tuple[str, ...]
    bare: tuple[str, ...]

    def cut_out(self, lines: pl.Series) -> tuple[pl.Series, pl.DataFrame]:
        """Which lines fit, and the captured members as text (null and empty text as null)."""
        groups = lines.str.extract_groups(self.pattern).struct.unnest()
        groups.columns = list(self.captured)
        fits = groups.to_series(0).is_not_null()
        nothing = [
            pl.when(pl.col(name) != ("null" if name in self.bare else "")).then(pl.col(name)).alias(name)
            for name in self.captured
        ]
        return fits, groups.with_columns(nothing)


def layout_of(line: str, wanted: Collection[str]) -> Layout | None:
    """The layout of a line; None where it is no plain object, or has none of the `wanted` members."""
    try:
        names = tuple(json_rows.parse(line))
    except json_rows.NotARow:
        return None
    opening = _OPENING.match(line)
    members = _MEMBER.findall(line, opening.end() if opening else 0)
    if not opening or len(members) != len(names) or not set(wanted) & set(names):
        return None
    if opening.group() + "".join(map("".join, members)) != line:
        return None
    parts = ["^", _escaped(opening.group())]
    captured: list[str] = []
    bare: list[str] = []
    for name, (key, colon, value, rest) in zip(names, members, strict=True):
        is_text = value.startswith('"')
        group = _TEXT if is_text else _BARE
        if name in wanted:
            captured.append(name)
            if not is_text:
                bare.append(name)
        else:
            group = group.replace("(", "(?:", 1)
        parts.append(_escaped(key + colon) + group + _escaped(rest.rstrip()) + _escaped(_blank_after(rest)))
    return Layout("".join(parts) + r"[ \t\r\n]*$", names, tuple(captured), tuple(bare))


def _blank_after(rest: str) -> str:
    return "" if rest.rstrip().endswith("}") else rest[len(rest.rstrip()) :]


def _escaped(text: str) -> str:
    return re.sub(r"([^\w\s\"':,/])", r"\\\1", text) if text else ""
