"""CSV as RFC 4180 has it, in blocks of any size, with line numbers and a way back after broken lines."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from coilbook.ingest import blocks, csv_blocks
from coilbook.ingest.csv_blocks import Dialect
from coilbook.ingest.errors import UnreadableFile
from hypothesis import given, settings
from hypothesis import strategies as st

NAMES = ["a", "b", "c"]


def rows_of(text: bytes, block: int = 1 << 20, dialect: Dialect | None = None) -> tuple[list[Any], list[Any]]:
    """(line, fields, raw) of every row, (line, detail) of every broken one; by blocks of `block` bytes."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_blocks, "BLOCK_BYTES", block)
        found, broken = [], []
        for part in csv_blocks.read(io.BytesIO(text), dialect or Dialect(), NAMES):
            for i, row in enumerate(part.text.rows()):
                found.append((int(part.lines[i]), row, part.raw(i)))
            broken += [(b.line, b.detail) for b in part.broken]
    return sorted(found), sorted(broken)


@pytest.mark.parametrize("block", [1, 3, 7, 1000])
def test_quotes_line_ends_and_line_numbers(block: int) -> None:
    text = b'a,b,c\r\n1,2,3\r\n"x, y","say ""hi""","two\r\nlines"\r\n\r\n4,,"6"'
    found, broken = rows_of(text, block)
    assert not broken
    assert found == [
        (2, ("1", "2", "3"), "1,2,3"),
        (3, ("x, y", 'say "hi"', "two\nlines"), '"x, y","say ""hi""","two\nlines"'),
        (6, ("4", None, "6"), '4,,"6"'),
    ]


@pytest.mark.parametrize("block", [1, 5, 1000])
def test_a_broken_line_costs_itself_only(block: int) -> None:
    text = b'a,b,c\n1,2\n1,2,3,4\n"open,2,3\n1,2,3\n1,x"y,3\n"a"b,2,3\n4,5,6\n'
    found, broken = rows_of(text, block)
    assert [(line, row) for line, row, _ in found] == [(5, ("1", "2", "3")), (8, ("4", "5", "6"))]
    assert [line for line, _ in broken] == [2, 3, 4, 6, 7]


def test_bytes_that_are_no_text_break_their_line_only() -> None:
    found, broken = rows_of(b"a,b,c\n1,\xff,3\n1,\x00,3\n1,\xc3\xa9,3\n")
    assert [row for _, row, _ in found] == [("1", "é", "3")]
    assert broken == [(2, "not UTF-8"), (3, "holds a NUL character")]


def test_line_ends_of_old_and_a_byte_order_mark() -> None:
    expected = [(2, ("1", "2", "3"), "1,2,3"), (3, ("4", "5", "6"), "4,5,6")]
    assert rows_of(b"\xef\xbb\xbfa,b,c\r1,2,3\r4,5,6\r")[0] == expected
    assert rows_of(b"\xef\xbb\xbfa,b,c\n1,2,3\n4,5,6")[0] == expected


def test_other_delimiters_and_lines_before_the_header() -> None:
    found, broken = rows_of(b"made by\nus\na;b;c\n1,5;2;3\n", dialect=Dialect(";", 2))
    assert (found, broken) == ([(4, ("1,5", "2", "3"), "1,5;2;3")], [])


def test_columns_in_another_order_and_beyond_ours() -> None:
    assert rows_of(b"c,x,b,a\n3,9,2,1\n")[0][0][1] == ("3", "2", "1")


@pytest.mark.parametrize("text", [b"a,b,a\n1,2,3\n", b'"a,b,c\n1,2,3\n'])
def test_a_header_that_is_none(text: bytes) -> None:
    with pytest.raises(UnreadableFile, match="header"):
        rows_of(text)


def test_very_long_lines() -> None:
    long = b"x" * 3_000_000
    found, broken = rows_of(b"a,b,c\n1," + long + b",3\n" + long + b"\n4,5,6\n", block=1 << 16)
    assert [line for line, _, _ in found] == [2, 4]
    assert [line for line, _ in broken] == [3]
    assert len(found[0][2]) == blocks.RAW_LIMIT
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_blocks, "LONGEST_LINE", 1 << 20)
        with pytest.raises(UnreadableFile, match="longer than"):
            rows_of(b"a,b,c\n" + long, block=1 << 16)


cells = st.text(st.sampled_from("ab1 \",;\n'é\t"), max_size=6)


@settings(max_examples=200, deadline=None)
@given(
    rows=st.lists(st.lists(cells, min_size=3, max_size=3), max_size=12),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    end=st.sampled_from(["\n", "\r\n"]),
    block=st.sampled_from([1, 2, 13, 1 << 20]),
)
def test_what_the_standard_library_writes_is_read_back(
    rows: list[list[str]], quoting: int, end: str, block: int
) -> None:
    # Oracle: csv of the Python standard library, which writes RFC 4180.
    out = io.StringIO(newline="")
    writer = csv.writer(out, quoting=quoting, lineterminator=end)  # type: ignore[arg-type]
    writer.writerows([NAMES, *rows])
    found, broken = rows_of(out.getvalue().encode(), block)
    assert not broken
    assert [row for _, row, _ in found] == [tuple(cell or None for cell in row) for row in rows]


@settings(max_examples=200, deadline=None)
@given(body=st.text(st.sampled_from('a1,",\n"x'), max_size=60), block=st.sampled_from([1, 4, 11]))
def test_blocks_change_nothing(body: str, block: int) -> None:
    text = b"a,b,c\n" + body.encode()
    assert rows_of(text, block) == rows_of(text)
