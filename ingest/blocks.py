"""A block of rows as text: what every reader yields, whatever the file's format."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import polars as pl

RAW_LIMIT = 65_536
BLOCK_BYTES = 8 << 20


@dataclass(frozen=True)
class Broken:
    """A record that is no row at all: `line` as in `Block`, the raw text and what is wrong."""

    line: int
    raw: str
    detail: str


@dataclass(frozen=True)
class Block:
    """Rows of one file.

    `text` holds the file's columns as text (empty = null); `lines[i]` is where row `i` begins, from 1: the
    physical line of a text file, the place in a JSON array or Parquet file. `raw(i)` is row `i` as it stood.
    """

    text: pl.DataFrame
    lines: np.ndarray
    raw: Callable[[int], str]
    broken: list[Broken] = field(default_factory=list)
    extra: frozenset[str] = frozenset()


def cut(raw: str) -> str:
    """Raw text as quarantine keeps it: at most 65,536 characters."""
    return raw if len(raw) <= RAW_LIMIT else raw[: RAW_LIMIT - 1] + "…"


def raw_of(buffer: bytes, starts: np.ndarray, ends: np.ndarray) -> Callable[[int], str]:
    """The raw text of row `i` of a block of lines: bytes that are no UTF-8 are shown as U+FFFD."""

    def raw(i: int) -> str:
        return cut(buffer[starts[i] : ends[i]][: 4 * RAW_LIMIT].decode("utf-8", "replace"))

    return raw
