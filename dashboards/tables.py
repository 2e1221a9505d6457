"""A table as a page shows it: caption, heads, and cells that are text already."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Head:
    """One column: `figure` = numbers that line up on the right, `words` = sentences, `whole` = unbroken."""

    name: str
    figure: bool = False
    words: bool = False
    whole: bool = False

    @property
    def style(self) -> str:
        """Its class on the page."""
        return "figure" if self.figure else "words" if self.words else "whole" if self.whole else ""


@dataclass(frozen=True)
class Table:
    """`rows` hold one text a head; `more` says what was left out, if anything was."""

    caption: str
    heads: tuple[Head, ...]
    rows: Sequence[Sequence[str]]
    more: str = ""


def heads(*names: str) -> tuple[Head, ...]:
    """Heads from names; one that begins with `#` holds figures, `~` sentences, `=` what is kept whole."""
    return tuple(Head(name.lstrip("#~="), *(name.startswith(mark) for mark in "#~=")) for name in names)
