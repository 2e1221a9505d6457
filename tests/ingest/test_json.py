"""JSON as RFC 8259 has it: lines, arrays, and the layouts that spare parsing line by line."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest
from coilbook.ingest import json_blocks
from coilbook.ingest.blocks import Block
from coilbook.ingest.errors import UnreadableFile
from coilbook.ingest.ndjson_layout import layout_of
from hypothesis import given, settings
from hypothesis import strategies as st

NAMES = ["ts", "n", "note"]


def unpacked(parts: Any) -> tuple[list[Any], list[Any], set[str]]:
    found: list[Any] = []
    broken: list[Any] = []
    extra: set[str] = set()
    for part in parts:
        assert isinstance(part, Block)
        found += [(int(part.lines[i]), row, part.raw(i)) for i, row in enumerate(part.text.rows())]
        broken += [(b.line, b.detail) for b in part.broken]
        extra |= part.extra
    return sorted(found, key=lambda row: row[0]), sorted(broken), extra


def lines_of(text: bytes, block: int = 1 << 20) -> tuple[list[Any], list[Any], set[str]]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(json_blocks, "BLOCK_BYTES", block)
        return unpacked(json_blocks.read_lines(io.BytesIO(text), NAMES))


def array_of(text: str) -> tuple[list[Any], list[Any], set[str]]:
    return unpacked(json_blocks.read_array(io.BytesIO(text.encode()), NAMES))


@pytest.mark.parametrize("block", [1, 30, 1000])
def test_lines(block: int) -> None:
    text = (
        b'{"ts": "t1", "n": 1.50, "note": "a"}\n{"ts": "t2", "n": null, "note": ""}\r\n\n'
        b'{"n": true, "ts": "t3", "more": {"x": [1]}}\n{"ts":"t\\u00e4","n":"4","note":"\xc3\xa9"}'
    )
    found, broken, extra = lines_of(text, block)
    assert not broken
    assert [(line, row) for line, row, _ in found] == [
        (1, ("t1", "1.50", "a")),
        (2, ("t2", None, None)),
        (4, ("t3", "true", None)),
        (5, ("tä", "4", "é")),
    ]
    assert extra == {"more"}
    assert found[0][2] == '{"ts": "t1", "n": 1.50, "note": "a"}'


@pytest.mark.parametrize(
    "line",
    [
        b'{"ts": "t", "n": NaN}',
        b'{"ts": "t", "n": Infinity}',
        b'{"ts": "t", "n": 01}',
        b'{"ts": "t", "n": [1]}',
        b'{"ts": {"at": 1}}',
        b'{"ts": "t", "ts": "u"}',
        b'{"ts": "t"',
        b'{"ts": "t"} {"ts": "u"}',
        b'["t", 1]',
        b"17",
        b"ts,n,note",
        b'{"ts": "\xff"}',
        b'{"ts": "tab\there"}',
        b'{"a":' * 5000,
    ],
)
def test_a_line_that_is_no_flat_object_is_broken(line: bytes) -> None:
    good = b'{"ts": "t", "n": 1}\n'
    found, broken, _ = lines_of(good + line + b"\n" + good)
    assert [row[0] for row in found] == [1, 3]
    assert [row[0] for row in broken] == [2]


def test_an_array() -> None:
    found, broken, extra = array_of(
        '\n[{"ts": "a", "n": 1},\n {"ts": "b", "x": {}}, 5, {"n": [1]}, {"n": NaN}]\n'
    )
    assert [(line, row) for line, row, _ in found] == [(1, ("a", "1", None)), (2, ("b", None, None))]
    assert [row[0] for row in broken] == [3, 4, 5]
    assert extra == {"x"}
    assert array_of("[]") == ([], [], set())


@pytest.mark.parametrize(
    "text", ['[{"n": 1}', '[{"n": 1}] x', '[{"n": 1} {"n": 2}]', '[{"n": 1},]', "[1, 2", '[{"n": }]', "["]
)
def test_an_array_that_is_not_json_cannot_be_read(text: str) -> None:
    with pytest.raises(UnreadableFile):
        array_of(text)


def test_an_array_longer_than_one_reading() -> None:
    items = [{"ts": f"t{i}", "n": i, "note": "x" * 50} for i in range(60_000)]
    found, broken, _ = array_of(json.dumps(items))
    assert not broken
    assert [row for _, row, _ in found] == [(f"t{i}", str(i) if i else "0", "x" * 50) for i in range(60_000)]


values = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(st.sampled_from('ab"\\/\n{}[],: é'), max_size=5),
)
objects = st.dictionaries(st.sampled_from([*NAMES, "x", 'q"']), values, max_size=5)


def as_text(value: Any) -> str | None:
    if isinstance(value, bool):
        return "true" if value else "false"
    return None if value is None or value == "" else value if isinstance(value, str) else json.dumps(value)


@settings(max_examples=200, deadline=None)
@given(rows=st.lists(objects, max_size=15), compact=st.booleans(), block=st.sampled_from([1, 50, 1 << 20]))
def test_what_the_standard_library_writes_is_read_back(
    rows: list[dict[str, Any]], compact: bool, block: int
) -> None:
    # Oracle: json of the Python standard library.
    separators = (",", ":") if compact else None
    text = "".join(json.dumps(row, separators=separators) + "\n" for row in rows)
    found, broken, _ = lines_of(text.encode(), block)
    assert not broken
    assert [row for _, row, _ in found] == [tuple(as_text(row.get(name)) for name in NAMES) for row in rows]
    again, _, _ = array_of(json.dumps(rows, separators=separators))
    assert [row for _, row, _ in again] == [row for _, row, _ in found]


def test_a_layout_takes_its_like_and_nothing_else() -> None:
    layout = layout_of('{"ts": "t", "n": 1, "x": 2}\n', NAMES)
    assert layout
    assert layout.names == ("ts", "n", "x")
    assert layout_of('{"ts": "t", "ts": "u"}', NAMES) is None
    assert layout_of('{"ts": "t", "x": [1]}', NAMES) is None
    assert layout_of("[1]", NAMES) is None
