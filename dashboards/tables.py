"""A table as a page shows it: caption, heads, and cells that are text already."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Head:
    """One column: `figure` = its cells are numbers and line up on the right."""

    name: str
    figure: bool = False


@dataclass(frozen=True)
class Table:
    """`rows` hold one text a head; `more` says what was left out, if anything was."""

    caption: str
    heads: tuple[Head, ...]
    rows: Sequence[Sequence[str]]
    more: str = ""


def heads(*names: str) -> tuple[Head, ...]:
    """Heads from names; one that begins with `#` holds figures."""
    return tuple(Head(name.removeprefix("#"), name.startswith("#")) for name in names)
