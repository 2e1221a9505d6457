"""Opening a file: compression and format told by its content, its digest, its decompressed bytes.

`UnreadableFile` says why a file cannot be read at all: truncated, empty, not UTF-8 text.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

import pyarrow as pa
from coilbook.ingest.errors import UnreadableFile
from coilbook.ingest.kinds import REGISTRY_ARRAYS

Form = Literal["csv", "ndjson", "json", "parquet"]

HEAD_BYTES = 1 << 20
BOM = b"\xef\xbb\xbf"
_COMPRESSION = {b"\x1f\x8b": "gzip", b"\x28\xb5\x2f\xfd": "zstd"}
# One object of registry arrays; any other text that begins with an object is a row a line.
_REGISTRY_OBJECT = re.compile(rb'\s*\{\s*"(' + "|".join(REGISTRY_ARRAYS).encode() + rb')"\s*:\s*\[')
_WIDE = (b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")


class Stream(Protocol):
    """Bytes to be read from the beginning to the end."""

    def read(self, size: int, /) -> bytes:
        """Up to `size` bytes; none at the end."""


@dataclass(frozen=True)
class Head:
    """A file's form and its first bytes, unpacked and without a byte order mark."""

    form: Form
    text: bytes


@contextmanager
def reading() -> Iterator[None]:
    """Turns what the system and the decompressor raise into one clear line."""
    try:
        yield
    except pa.ArrowInvalid as exc:
        raise UnreadableFile(f"cannot be read: {str(exc).splitlines()[0][:200]}") from exc
    except OSError as exc:
        said = exc.strerror or str(exc).splitlines()[0][:200]
        if "Truncated" in said:
            raise UnreadableFile("the compressed data breaks off (truncated file); fetch it again") from exc
        raise UnreadableFile(f"cannot be read: {said}") from exc


def digest(path: Path) -> str:
    """SHA-256 of the file's bytes as they lie on disk."""
    with reading(), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def unpacked(path: Path) -> Iterator[Stream]:
    """The file's bytes, unpacked where it is gzip or zstd."""
    with reading(), path.open("rb") as file:
        compression = _compression(file.read(4))
        file.seek(0)
        yield pa.CompressedInputStream(pa.PythonFile(file, mode="r"), compression) if compression else file


def read_fully(stream: Stream, size: int) -> bytes:
    """`size` bytes, fewer only at the end of the stream."""
    parts: list[bytes] = []
    while size > 0 and (part := stream.read(size)):
        parts.append(part)
        size -= len(part)
    return parts[0] if len(parts) == 1 else b"".join(parts)


def look(path: Path) -> Head:
    """What the file is, told by its first bytes."""
    with unpacked(path) as stream:
        text = read_fully(stream, HEAD_BYTES)
    if not text:
        raise UnreadableFile("the file is empty")
    if text.startswith(b"PAR1"):
        return Head("parquet", b"")
    if text.startswith(_WIDE):
        raise UnreadableFile("the text is UTF-16 or UTF-32; expected UTF-8")
    if b"\x00" in text[:4096]:
        raise UnreadableFile("the file is not text; expected CSV, JSON, NDJSON or Parquet")
    text = text.removeprefix(BOM)
    begin = text.lstrip()[:1]
    if not begin:
        raise UnreadableFile("the file holds nothing but blanks")
    if begin == b"[":
        return Head("json", text)
    if begin == b"{":
        return Head("json" if _REGISTRY_OBJECT.match(text) else "ndjson", text)
    return Head("csv", text)


def _compression(magic: bytes) -> str | None:
    return next((name for sign, name in _COMPRESSION.items() if magic.startswith(sign)), None)
