"""CSV by blocks: plain lines go column-wise through a compiled reader, lines with quotes one by one.

A line is plain where it has no quote, is UTF-8 and has as many fields as the header; of such lines any reader
makes the same. Everything else is read by `csv_lines.record` or is a broken record.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from coilbook.ingest import csv_lines
from coilbook.ingest.blocks import BLOCK_BYTES, Block, Broken, cut, raw_of
from coilbook.ingest.errors import UnreadableFile
from coilbook.ingest.opening import BOM, Stream, read_fully

LF, QUOTE = 10, b'"'
LONGEST_LINE = 64 << 20


@dataclass(frozen=True)
class Dialect:
    """How a CSV file is written. `skip_lines` stand before the header."""

    delimiter: str = ","
    skip_lines: int = 0


def columns_of(head: bytes, dialect: Dialect) -> list[str]:
    """The column names of the header line; `UnreadableFile` where it is none."""
    text = _unix(head, cr_only=_is_cr_only(head))
    return _header(text, dialect)[0]


def read(stream: Stream, dialect: Dialect, wanted: Sequence[str]) -> Iterator[Block]:
    """The file's rows by blocks, with those of the `wanted` columns it has. Empty lines are no rows."""
    buffer = read_fully(stream, BLOCK_BYTES).removeprefix(BOM)
    cr_only = _is_cr_only(buffer)
    held_cr = b""
    names: list[str] | None = None
    line = 1
    while True:
        more = read_fully(stream, BLOCK_BYTES)
        final = not more
        # A CR at the very end may be half of a CRLF: it waits for the next bytes.
        if not final and buffer.endswith(b"\r"):
            buffer, held_cr = buffer[:-1], b"\r"
        text = _unix(buffer, cr_only)
        if names is None and not final and not _holds_header(text, dialect):
            buffer, held_cr = text + held_cr + more, b""
            continue
        if names is None:
            names, begin = _header(text, dialect)
            line += text.count(b"\n", 0, begin)
            text = text[begin:]
        part = _Part(text, line, names, dialect.delimiter.encode(), final, wanted)
        used, block = part.block()
        line += text.count(b"\n", 0, used)
        yield block
        if final:
            return
        buffer, held_cr = text[used:] + held_cr + more, b""


def _is_cr_only(text: bytes) -> bool:
    return b"\n" not in text and b"\r" in text


def _unix(text: bytes, cr_only: bool) -> bytes:
    if b"\r" not in text:
        return text
    return text.replace(b"\r", b"\n") if cr_only else text.replace(b"\r\n", b"\n")


def _holds_header(text: bytes, dialect: Dialect) -> bool:
    if text.count(b"\n") <= dialect.skip_lines:
        return len(text) > csv_lines.LONGEST
    begin = _after_lines(text, dialect.skip_lines)
    found = csv_lines.record(text, begin, dialect.delimiter.encode())
    return len(text) > csv_lines.LONGEST or (found is not None and found[1] < len(text))


def _after_lines(text: bytes, count: int) -> int:
    begin = 0
    for _ in range(count):
        begin = text.find(b"\n", begin) + 1
        if begin == 0:
            raise UnreadableFile(f"the file has no header after {count} lines")
    return begin


def _header(text: bytes, dialect: Dialect) -> tuple[list[str], int]:
    begin = _after_lines(text, dialect.skip_lines)
    try:
        names, end = csv_lines.header(text[begin : begin + csv_lines.LONGEST], dialect.delimiter.encode())
    except ValueError as exc:
        raise UnreadableFile(f"the header line cannot be read: {exc}") from exc
    names = [name or f"(column {place})" for place, name in enumerate(names, start=1)]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UnreadableFile(f"the header names a column twice: {', '.join(twice)[:200]}")
    return names, min(begin + end + 1, len(text))


class _Part:
    """One stretch of text that begins at the beginning of a line."""

    def __init__(
        self, text: bytes, line: int, names: list[str], delimiter: bytes, final: bool, wanted: Sequence[str]
    ) -> None:
        self.text, self.line, self.names, self.delimiter, self.final = text, line, names, delimiter, final
        self.places = [place for place, name in enumerate(names) if name in wanted]
        self.used = [names[place] for place in self.places]
        data = np.frombuffer(text, np.uint8)
        ends = np.flatnonzero(data == LF)
        if final and text and not text.endswith(b"\n"):
            ends = np.append(ends, len(text))
        self.data, self.ends = data, ends
        self.starts = np.concatenate([[0], ends[:-1] + 1]) if len(ends) else ends

    def block(self) -> tuple[int, Block]:
        """How many bytes were used, and their rows."""
        if not len(self.ends):
            return self._endless()
        plain, suspect = self._sort_out()
        walked = _Walk(self, suspect)
        walked.run()
        plain[walked.swallowed] = False
        if walked.open_at is not None:
            plain[walked.open_at :] = False
        rows = np.flatnonzero(plain)
        frames = [self._plain_frame(rows), walked.frame()]
        starts = np.concatenate([self.starts[rows], np.array(walked.starts, np.int64)])
        ends = np.concatenate([self.ends[rows], np.array(walked.ends, np.int64)])
        lines = np.concatenate([rows + self.line, np.array(walked.lines, np.int64)])
        used = len(self.text) if walked.open_at is None else int(self.starts[walked.open_at])
        if walked.open_at is None and not self.final:
            used = int(self.ends[-1]) + 1
        text = frames[0] if frames[1].is_empty() else pl.concat(frames)
        return used, Block(text, lines, raw_of(self.text, starts, ends), walked.broken)

    def _endless(self) -> tuple[int, Block]:
        if len(self.text) > LONGEST_LINE:
            raise UnreadableFile(f"line {self.line} is longer than {LONGEST_LINE >> 20} MiB")
        return 0, Block(self.empty(), np.empty(0, np.int64), str)

    def _sort_out(self) -> tuple[np.ndarray, np.ndarray]:
        """Which lines are plain, and which want a closer look (neither: blank ones)."""
        delimiters = np.flatnonzero(self.data == self.delimiter[0])
        upto = np.searchsorted(delimiters, self.ends)
        counts = np.diff(upto, prepend=0)
        full = self.ends > self.starts
        plain = full & (counts == len(self.names) - 1)
        if QUOTE in self.text:
            plain[self._lines_with(self.data == QUOTE[0])] = False
        if not self.text.isascii() and not _is_utf8(self.text):
            plain[self._lines_with(self.data >= 0x80)] = False
        if b"\x00" in self.text:
            plain[self._lines_with(self.data == 0)] = False
        return plain, np.flatnonzero(full & ~plain)

    def _lines_with(self, marks: np.ndarray) -> np.ndarray:
        found = np.unique(np.searchsorted(self.ends, np.flatnonzero(marks)))
        return found[found < len(self.ends)]

    def _plain_frame(self, rows: np.ndarray) -> pl.DataFrame:
        if not len(rows):
            return self.empty()
        breaks = np.flatnonzero(np.diff(rows) != 1)
        firsts = rows[np.concatenate([[0], breaks + 1])]
        lasts = rows[np.concatenate([breaks, [len(rows) - 1]])]
        pieces = [self.text[self.starts[a] : self.ends[b] + 1] for a, b in zip(firsts, lasts, strict=True)]
        frame = pl.read_csv(
            pieces[0] if len(pieces) == 1 else b"".join(pieces),
            has_header=False,
            columns=self.places,
            new_columns=self.names,
            separator=self.delimiter.decode(),
            quote_char=None,
            infer_schema=False,
        )
        if frame.height != len(rows):
            raise AssertionError(f"{len(rows)} plain lines gave {frame.height} rows")
        return frame

    def empty(self) -> pl.DataFrame:
        """No row of the columns that are used."""
        return pl.DataFrame(schema=dict.fromkeys(self.used, pl.String))


def _is_utf8(text: bytes) -> bool:
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


class _Walk:
    """The lines that want a closer look, one by one."""

    def __init__(self, part: _Part, suspect: np.ndarray) -> None:
        self.part, self.suspect = part, suspect
        self.fields: list[list[str | None]] = []
        self.starts: list[int] = []
        self.ends: list[int] = []
        self.lines: list[int] = []
        self.swallowed: list[int] = []
        self.broken: list[Broken] = []
        self.open_at: int | None = None

    def run(self) -> None:
        """Read them all; stops at a record that the end of the text leaves open."""
        done = -1
        for at in self.suspect.tolist():
            if at > done:
                done = self._one(at)
                if self.open_at is not None:
                    return

    def _one(self, at: int) -> int:
        """Read the record that begins at line `at`; returns its last line."""
        part = self.part
        begin, end = int(part.starts[at]), int(part.ends[at])
        if part.text.find(QUOTE, begin, end) < 0:
            found: tuple[list[bytes], int] | None = (part.text[begin:end].split(part.delimiter), end)
        else:
            found = csv_lines.record(part.text, begin, part.delimiter)
        if found and found[1] == len(part.text) and not part.final:
            self.open_at = at  # what follows the quote is not read yet
            return at
        if found is None or (found[1] > end and len(found[0]) != len(part.names)):
            if (
                not part.final
                and len(part.text) - begin < csv_lines.LONGEST
                and self._may_be_open(begin, end)
            ):
                self.open_at = at
                return at
            self._break(at, "its quotes do not close as RFC 4180 has it")
            return at
        fields, stop = found
        last = at + part.text.count(b"\n", begin, stop)
        self.swallowed.extend(range(at, last + 1))
        try:
            texts = [field.decode("utf-8") or None for field in fields]
        except UnicodeDecodeError:
            self._break(at, "not UTF-8", stop)
            return last
        if len(texts) != len(part.names):
            self._break(at, f"{len(texts)} fields; the header has {len(part.names)}", stop)
        elif any("\x00" in text for text in texts if text):
            self._break(at, "holds a NUL character", stop)
        else:
            self.fields.append(texts)
            self.starts.append(begin)
            self.ends.append(stop)
            self.lines.append(part.line + at)
        return last

    def _may_be_open(self, begin: int, end: int) -> bool:
        return self.part.text.count(QUOTE, begin, end) % 2 == 1

    def _break(self, at: int, detail: str, stop: int | None = None) -> None:
        begin, end = int(self.part.starts[at]), stop or int(self.part.ends[at])
        raw = self.part.text[begin:end].decode("utf-8", "replace")
        self.broken.append(Broken(self.part.line + at, cut(raw), detail))

    def frame(self) -> pl.DataFrame:
        """The rows that were read."""
        schema = dict.fromkeys(self.part.names, pl.String)
        return pl.DataFrame(self.fields, schema=schema, orient="row").select(self.part.used)
