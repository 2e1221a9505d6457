"""Readers and writers against the examples and rules of published formats."""

# ruff: noqa: DTZ001 - naive UTC, as in the store

from __future__ import annotations

import io
from datetime import datetime

import pytest
from coilbook.ingest import csv_blocks, json_blocks
from coilbook.ingest.times import read
from coilbook.ingest.values import Bad


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # RFC 3339, section 5.8, its examples.
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000)),
        # Section 5.6: t and z in lower case, a space for the T.
        ("1985-04-12t23:20:50.52z", datetime(1985, 4, 12, 23, 20, 50, 520_000)),
        ("1985-04-12 23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000)),
        # Section 4.3: -00:00 says that the local offset is unknown; the digits are UTC.
        ("1996-12-20T00:39:57-00:00", datetime(1996, 12, 20, 0, 39, 57)),
    ],
)
def test_rfc_3339_examples(text: str, expected: datetime) -> None:
    assert read(text) == (expected, True)


@pytest.mark.parametrize(
    "text",
    [
        "1996-12-19T16:39:57-0800",  # section 5.6: the offset has a colon
        "1996-12-19T16:39-08:00",  # seconds are not optional
        "1996-12-19T16:39:57.Z",  # a fraction has digits
        "1996-12-19T24:00:00Z",  # hours end at 23
        "1990-12-31T22:59:60Z",  # a leap second stands at the end of a UTC day only
        "96-12-19T16:39:57Z",
        "1996-12-19T16:39:57-08:00[America/Los_Angeles]",  # RFC 9557, which the contract does not take
    ],
)
def test_what_rfc_3339_has_not(text: str) -> None:
    with pytest.raises(Bad):
        read(text)


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        # RFC 4180, section 2, its examples: rules 1 and 2 (last line end optional), 5, 6 and 7.
        (b"aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [("zzz", "yyy", "xxx")]),
        (b"aaa,bbb,ccc\r\nzzz,yyy,xxx", [("zzz", "yyy", "xxx")]),
        (b'aaa,bbb,ccc\r\n"zzz",yyy,xxx', [("zzz", "yyy", "xxx")]),
        (b'aaa,bbb,ccc\r\n"zzz","b \r\nbb",xxx', [("zzz", "b \nbb", "xxx")]),
        (b'aaa,bbb,ccc\r\n"zzz","b""bb","xxx"', [("zzz", 'b"bb', "xxx")]),
        # Rule 4: spaces are part of a field.
        (b"aaa,bbb,ccc\r\n zzz , yyy,xxx", [(" zzz ", " yyy", "xxx")]),
    ],
)
def test_rfc_4180_examples(text: bytes, rows: list[tuple[str, ...]]) -> None:
    names = ["aaa", "bbb", "ccc"]
    (block,) = csv_blocks.read(io.BytesIO(text), csv_blocks.Dialect(), names)
    assert block.text.rows() == rows
    assert not block.broken


def test_rfc_4180_rule_4_equal_numbers_of_fields() -> None:
    (block,) = csv_blocks.read(io.BytesIO(b"a,b\r\n1\r\n1,2,3\r\n"), csv_blocks.Dialect(), ["a", "b"])
    assert [broken.line for broken in block.broken] == [2, 3]


@pytest.mark.parametrize(
    "line", [b'{"a": NaN}', b'{"a": -Infinity}', b'{"a": 01}', b'{"a": +1}', b"{'a': 1}", b'{"a": .5}']
)
def test_rfc_8259_section_6_numbers(line: bytes) -> None:
    (block,) = json_blocks.read_lines(io.BytesIO(line), ["a"])
    assert block.text.is_empty()
    assert len(block.broken) == 1


def test_ndjson_1_0_line_ends() -> None:
    # NDJSON 1.0.0: a reader takes LF and CR LF; blank lines may be left out if that is documented.
    (block,) = json_blocks.read_lines(io.BytesIO(b'{"a": 1}\n\n{"a": 2}\r\n{"a": 3}'), ["a"])
    assert sorted(block.text["a"]) == ["1", "2", "3"]
    assert not block.broken
