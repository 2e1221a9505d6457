"""JSON by blocks: NDJSON line by line, or one array of objects, or one object of registry arrays.

NDJSON: lines that are blank are no rows; a line that is no flat object is a broken record. An array is read
element by element; where it is not valid JSON the file cannot be read.
"""

from __future__ import annotations

import codecs
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
from coilbook.ingest import json_rows
from coilbook.ingest.blocks import BLOCK_BYTES, Block, Broken, cut, raw_of
from coilbook.ingest.errors import UnreadableFile
from coilbook.ingest.kinds import REGISTRY_ARRAYS
from coilbook.ingest.ndjson_layout import Layout, layout_of
from coilbook.ingest.opening import BOM, Stream, read_fully

LONGEST = 64 << 20
MOST_LAYOUTS = 8
ROWS = 50_000


def names_in_lines(head: bytes) -> list[str]:
    """The members of the first lines that are objects, in order of appearance."""
    names: dict[str, None] = {}
    for line in head.splitlines()[:200]:
        try:
            names.update(dict.fromkeys(json_rows.parse(line.decode("utf-8"), ())))
        except ValueError:
            continue
    return list(names)


def read_lines(stream: Stream, wanted: Sequence[str]) -> Iterator[Block]:
    """The rows of NDJSON by blocks; `wanted` members become columns, others are named in `Block.extra`."""
    layouts: list[Layout] = []
    buffer = read_fully(stream, BLOCK_BYTES).removeprefix(BOM)
    line = 1
    while True:
        more = read_fully(stream, BLOCK_BYTES)
        used = buffer.rfind(b"\n") + 1 if more else len(buffer)
        if used:
            part = _Lines(buffer[:used], line, wanted, layouts)
            yield part.block()
            line += len(part.ends)
        elif len(buffer) > LONGEST:
            raise UnreadableFile(f"line {line} is longer than {LONGEST >> 20} MiB")
        if not more:
            return
        buffer = buffer[used:] + more


class _Lines:
    def __init__(self, text: bytes, line: int, wanted: Sequence[str], layouts: list[Layout]) -> None:
        self.text, self.line, self.wanted, self.layouts = text, line, wanted, layouts
        ends = np.flatnonzero(np.frombuffer(text, np.uint8) == 10)
        self.ends = ends if text.endswith(b"\n") else np.append(ends, len(text))
        self.starts = np.concatenate([[0], self.ends[:-1] + 1])

    def block(self) -> Block:
        left = np.arange(len(self.ends))
        taken: list[np.ndarray] = []
        frames: list[pl.DataFrame] = []
        extra: set[str] = set()
        for layout, rows, frame in self._by_layout(left):
            taken.append(rows)
            frames.append(frame)
            extra.update(set(layout.names) - set(self.wanted))
        if taken:
            left = np.setdiff1d(left, np.concatenate(taken), assume_unique=True)
        rows, frame, broken, more = self._one_by_one(left)
        order = np.concatenate([*taken, rows])
        text = pl.concat([*frames, frame])
        raw = raw_of(self.text, self.starts[order], self.ends[order])
        return Block(text, order + self.line, raw, broken, frozenset(extra | more))

    def _by_layout(self, left: np.ndarray) -> Iterator[tuple[Layout, np.ndarray, pl.DataFrame]]:
        lines = self._series()
        if lines is None:
            return
        tried = 0
        while len(left):
            if tried == len(self.layouts) and not self._learn(lines[int(left[0])]):
                return
            layout = self.layouts[tried]
            tried += 1
            fits, frame = layout.cut_out(lines if len(left) == len(lines) else lines.gather(left))
            mask = fits.to_numpy()
            if mask.any():
                rows = left[mask]
                yield layout, rows, self._widened(frame if len(rows) == len(left) else frame.filter(fits))
                left = left[~mask]

    def _learn(self, line: str) -> bool:
        layout = layout_of(line, self.wanted) if len(self.layouts) < MOST_LAYOUTS else None
        if layout is None or layout in self.layouts:
            return False
        self.layouts.append(layout)
        return True

    def _series(self) -> pl.Series | None:
        if not self.text.isascii():
            try:
                self.text.decode("utf-8")
            except UnicodeDecodeError:
                return None
        offsets = np.append(self.starts, len(self.text)).astype(np.int64)
        array = pa.LargeStringArray.from_buffers(
            len(self.ends), pa.py_buffer(offsets), pa.py_buffer(self.text)
        )
        series = pl.from_arrow(array)
        assert isinstance(series, pl.Series)
        return series

    def _widened(self, frame: pl.DataFrame) -> pl.DataFrame:
        lacking = [pl.lit(None, pl.String).alias(name) for name in self.wanted if name not in frame.columns]
        return frame.with_columns(lacking).select(self.wanted)

    def _one_by_one(self, left: np.ndarray) -> tuple[np.ndarray, pl.DataFrame, list[Broken], set[str]]:
        rows: list[int] = []
        found: list[dict[str, str | None]] = []
        broken: list[Broken] = []
        for at in left.tolist():
            raw = self.text[self.starts[at] : self.ends[at]]
            if not raw.strip():
                continue
            try:
                found.append(json_rows.parse(raw.decode("utf-8").strip(), self.wanted))
                rows.append(at)
            except UnicodeDecodeError:
                broken.append(Broken(self.line + at, cut(raw.decode("utf-8", "replace")), "not UTF-8"))
            except json_rows.NotARow as exc:
                broken.append(Broken(self.line + at, cut(raw.decode("utf-8")), str(exc)))
        frame, extra = rows_to_frame(found, self.wanted)
        return np.array(rows, np.int64), frame, broken, extra


def rows_to_frame(rows: list[dict[str, str | None]], wanted: Sequence[str]) -> tuple[pl.DataFrame, set[str]]:
    """Rows of text as a frame of the `wanted` columns, and the names of all others."""
    columns = {name: [row.get(name) for row in rows] for name in wanted}
    frame = pl.DataFrame(columns, schema=dict.fromkeys(wanted, pl.String))
    return frame, {name for row in rows for name in row} - set(wanted)


def array_block(items: list[Any], raws: list[str], first: int, wanted: Sequence[str]) -> Block:
    """Decoded elements of an array as a block; `first` is the place of the first of them."""
    found: list[dict[str, str | None]] = []
    places: list[int] = []
    broken: list[Broken] = []
    for place, item in enumerate(items):
        try:
            found.append(json_rows.flat(item, wanted))
            places.append(place)
        except json_rows.NotARow as exc:
            broken.append(Broken(first + place, cut(raws[place]), str(exc)))
    frame, extra = rows_to_frame(found, wanted)
    lines = np.array(places, np.int64) + first
    return Block(frame, lines, lambda i: cut(raws[places[i]]), broken, frozenset(extra))


def first_names(stream: Stream) -> list[str] | None:
    """The members of an array's first objects; None where the text is an object of arrays instead."""
    text = _Text(stream)
    text.fill()
    if text.skip_blank() == "{":
        return None
    names: dict[str, None] = {}
    for place, (item, _) in enumerate(text.elements()):
        if isinstance(item, dict):
            names.update(dict.fromkeys(item))
        if place == 200:
            break
    return list(names)


def read_array(stream: Stream, wanted: Sequence[str]) -> Iterator[Block]:
    """The elements of one array by blocks; `Block.lines` counts elements from 1."""
    text = _Text(stream)
    items: list[Any] = []
    raws: list[str] = []
    first = 1
    for item, raw in text.elements():
        items.append(item)
        raws.append(raw)
        if len(items) == ROWS:
            yield array_block(items, raws, first, wanted)
            first += len(items)
            items, raws = [], []
    yield array_block(items, raws, first, wanted)


def read_registry(stream: Stream) -> Mapping[str, list[Any]]:
    """The arrays of a registry object, in the order in which they must be loaded."""
    parts = []
    while part := stream.read(BLOCK_BYTES):
        parts.append(part)
    try:
        value = json_rows.DECODER.decode(b"".join(parts).removeprefix(BOM).decode("utf-8").strip())
    except (ValueError, RecursionError) as exc:
        raise UnreadableFile(f"not valid JSON: {exc}") from None
    strangers = sorted(set(value) - set(REGISTRY_ARRAYS)) if isinstance(value, dict) else []
    if not isinstance(value, dict) or strangers or not value:
        raise UnreadableFile(
            f"a JSON object of {', '.join(strangers)[:100] or 'nothing'}; expected an array of rows, or one "
            f"object with the arrays {', '.join(REGISTRY_ARRAYS)}"
        )
    for name, rows in value.items():
        if not isinstance(rows, list):
            raise UnreadableFile(f"{name} is no array")
    return {name: value[name] for name in REGISTRY_ARRAYS if name in value}


def dumped(item: Any) -> str:
    """An element as JSON text, for quarantine; spacing is not that of the file."""
    return json.dumps(item, ensure_ascii=False)


class _Text:
    """Decoded text that grows as it is read."""

    def __init__(self, stream: Stream) -> None:
        self.stream, self.text, self.at, self.ended = stream, "", 0, False
        self.decoder = codecs.getincrementaldecoder("utf-8-sig")()

    def fill(self) -> None:
        part = self.stream.read(1 << 20)
        self.ended = not part
        try:
            more = self.decoder.decode(part, final=self.ended)
        except UnicodeDecodeError:
            raise UnreadableFile("the text is not UTF-8") from None
        self.text, self.at = self.text[self.at :] + more, 0

    def skip_blank(self) -> str:
        """The next character that is no blank; empty at the end."""
        while True:
            while self.at < len(self.text) and self.text[self.at] in " \t\r\n":
                self.at += 1
            if self.at < len(self.text) or self.ended:
                return self.text[self.at : self.at + 1]
            self.fill()

    def elements(self) -> Iterator[tuple[Any, str]]:
        """Each element of the array with its raw text."""
        if self.skip_blank() != "[":
            raise UnreadableFile("not a JSON array")
        self.at += 1
        place = 1
        if self.skip_blank() == "]":
            self.at += 1
        else:
            while True:
                self.skip_blank()
                yield self._element(place)
                mark = self.skip_blank()
                self.at += 1
                if mark == "]":
                    break
                if mark != ",":
                    raise UnreadableFile(f"not valid JSON after element {place}: expected a comma or the end")
                place += 1
        if self.skip_blank():
            raise UnreadableFile(f"text stands after the end of the JSON array (element {place})")

    def _element(self, place: int) -> tuple[Any, str]:
        while True:
            try:
                value, end = json_rows.DECODER.raw_decode(self.text, self.at)
                # A number at the end of what was read may go on.
                if end < len(self.text) or self.ended:
                    raw, self.at = self.text[self.at : end], end
                    return value, raw
            except (json.JSONDecodeError, RecursionError) as exc:
                if self.ended or len(self.text) - self.at > LONGEST:
                    raise UnreadableFile(f"not valid JSON at element {place}: {exc}"[:300]) from None
            self.fill()
