"""Records of CSV text, exactly as RFC 4180 has them, with a way back after a broken one.

A quote is special only where it opens a field. A quoted field ends with a quote that a delimiter, a line end
or the end of the text follows; where there is none within 1 MiB, the line is broken and reading goes on at
the next line. Line ends are LF by the time they come here.
"""

from __future__ import annotations

import re
from functools import lru_cache

LONGEST = 1 << 20
LF = 10


@lru_cache(maxsize=16)
def _pattern(delimiter: bytes) -> re.Pattern[bytes]:
    d = re.escape(delimiter)
    quoted, plain = rb'"([^"]*(?:""[^"]*)*)"', b"([^" + d + rb"\n]*)"
    return re.compile(b"(?:" + quoted + b"|" + plain + b")(?=" + d + rb"|\n|\Z)")


def record(text: bytes, begin: int, delimiter: bytes) -> tuple[list[bytes], int] | None:
    """The fields of the record at `begin` and where it ends (its line end or the end); None if broken."""
    pattern = _pattern(delimiter)
    limit = begin + LONGEST
    fields: list[bytes] = []
    while True:
        found = pattern.match(text, begin, limit)
        if not found:
            return None
        quoted, plain = found.groups()
        if plain and b'"' in plain:
            return None
        fields.append(quoted.replace(b'""', b'"') if quoted is not None else plain or b"")
        begin = found.end()
        if begin == len(text) or text[begin] == LF:
            return fields, begin
        if begin >= limit:
            return None
        begin += len(delimiter)


def header(text: bytes, delimiter: bytes) -> tuple[list[str], int]:
    """The names of the first record, blanks around them cut, and where it ends; `ValueError` if broken."""
    found = record(text, 0, delimiter)
    if not found:
        raise ValueError("its quotes do not close")
    fields, end = found
    return [name.decode("utf-8").strip() for name in fields], end
