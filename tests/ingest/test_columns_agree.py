"""The column-wise judge takes only what the exact judge takes, with the same values."""

# ruff: noqa: DTZ001 - naive UTC, as in the store

from __future__ import annotations

from datetime import datetime

import numpy as np
import polars as pl
import pytest
from coilbook.ingest.blocks import Block
from coilbook.ingest.columns import COLUMN_WISE, SAMPLE, judge
from coilbook.ingest.kinds import KIND
from coilbook.ingest.known import Known
from coilbook.ingest.mapping import contract_map
from coilbook.ingest.rows import Context
from coilbook.ingest.rows import judge as judge_one
from coilbook.ingest.sifting import sift
from hypothesis import given, settings
from hypothesis import strategies as st

CONTEXT = Context(
    Known({"H1": "America/Denver", "H2": "Australia/Lord_Howe"}, {"H1-a": "H1", "H2-a": "H2"}, {"K1": "H1"}),
    datetime(2026, 12, 1),
)
TIMES = [
    "2026-03-01T12:00:00Z",
    "2026-03-01T12:00:00.25Z",
    "2026-03-01T12:00:00.1234567Z",
    "2026-03-01t12:00:00z",
    "2026-03-01 12:00:00Z",
    "2026-03-01T12:00:00+05:30",
    "2026-03-01T12:00:00-00:00",
    "2026-03-01T12:00:00+24:00",
    "2016-12-31T23:59:60Z",
    "2026-03-01T12:00:60Z",
    "2026-02-29T12:00:00Z",
    "2026- 3-01T12:00:00Z",
    "2026-3-01T12:00:000Z",
    "+026-03-01T12:00:00Z",
    "1999-12-31T23:59:59Z",
    "2026-12-03T00:00:01Z",
    "2026-03-08T02:30:00",
    "2026-11-01T01:30:00",
    "2026-04-05T01:45:00",
    "2026-10-04T02:15:00.5",
    "2026-07-01T08:00:00",
    "",
    "soon",
]
NUMBERS = [
    "0",
    "-0",
    "7",
    "-3.5",
    "+4",
    "1e3",
    "1E-2",
    ".5",
    "5.",
    "1e999",
    "nan",
    "NaN",
    "inf",
    "-Infinity",
    "1e7",
    "1e8",
]
NUMBERS += [
    " 5",
    "5 ",
    "1_0",
    "0x1F",
    "1,5",
    "",
    "--1",
    "1e",
    "1d5",
    "\u0661",
    "9" * 400,
    "infinity",
    "1.7976931348623159e308",
]
WHOLES = [
    "0",
    "7",
    "-7",
    "+7",
    "007",
    "7.0",
    "7.5",
    "1e3",
    "9223372036854775807",
    "9223372036854775808",
    "",
    "x",
    " 7",
]
WORDS = ["on", "ON", "off", "1", "0", "true", "False", "closed", "open", "ajar", "", " on", "1.0", "yes"]
CAUSES = ["hand", "Clock", "surplus", "shed", "", "frost", " hand", "unknown"]
CELLS = {
    "ts": TIMES,
    "site_id": ["H1", "H2", "H3", "", " H1", " "],
    "circuit_id": ["H1-a", "H2-a", "nope", "", "H1-a "],
    "controller_id": ["K1", "K2", ""],
    "state": WORDS,
    "islanded": ["0", *WORDS],
    "cause": CAUSES,
    "seq": WHOLES,
    "firmware": ["1.0", "", " 2 ", "  "],
}


def cell(name: str) -> st.SearchStrategy[str | None]:
    listed = st.sampled_from(CELLS.get(name, NUMBERS))
    usual = st.just(CELLS.get(name, NUMBERS)[0])
    odd = st.text("0123456789+-.eETZ: _naif", max_size=24)
    return st.one_of(usual, usual, listed, listed, odd).map(lambda text: text or None)


@pytest.mark.parametrize("name", COLUMN_WISE)
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_regular_rows_are_what_the_exact_judge_makes_of_them(name: str, data: st.DataObject) -> None:
    kind = KIND[name]
    cells = st.fixed_dictionaries({field.name: cell(field.name) for field in kind.fields})
    rows = data.draw(st.lists(cells, min_size=1, max_size=30))
    text = pl.DataFrame(rows, schema=dict.fromkeys(kind.names, pl.String))
    frame, regular = judge(kind, text, CONTEXT)
    for given_row, typed, taken in zip(rows, frame.to_dicts(), regular, strict=True):
        if taken:
            exact = judge_one(kind, given_row, CONTEXT)  # raises where it holds the row back
            assert exact.local is None
            assert typed == exact.values


@pytest.mark.parametrize("name", COLUMN_WISE)
def test_usual_rows_are_regular(name: str) -> None:
    kind = KIND[name]
    usual = {field.name: CELLS.get(field.name, NUMBERS)[0] for field in kind.fields}
    for ts in TIMES[:2] + TIMES[5:7] + ["2026-07-01T08:00:00"]:
        _, regular = judge(kind, pl.DataFrame([{**usual, "ts": ts}]), CONTEXT)
        assert regular.all(), ts


def test_no_row_is_lost_between_the_two() -> None:
    rows = [{"ts": ts, "site_id": "H1", "pv_w": pv, "house_w": "1"} for ts in TIMES for pv in NUMBERS]
    text = pl.DataFrame(rows).with_columns(pl.all().replace("", None))
    block = Block(text, np.arange(1, len(rows) + 1), lambda i: str(i))
    sifted = sift(block, contract_map(KIND["power"], text.columns), CONTEXT)
    lines = [*sifted.rows["line"], *(h.line for h in sifted.held), *(w.line for w in sifted.waiting)]
    assert sorted(lines) == list(range(1, len(rows) + 1))
    assert sifted.waiting
    assert sifted.held


def test_times_that_come_many_times_are_read_alike() -> None:
    times = [TIMES[i % len(TIMES)] for i in range(5 * SAMPLE)]
    ids = ["H1" if i % 2 else "H2" for i in range(len(times))]
    text = pl.DataFrame({"ts": times, "site_id": ids, "pv_w": "1", "house_w": "1"}).with_columns(
        pl.col("ts").replace("", None)
    )
    many, regular = judge(KIND["power"], text, CONTEXT)
    few = [judge(KIND["power"], text[at : at + 1000], CONTEXT) for at in range(0, text.height, 1000)]
    assert many.equals(pl.concat(frame for frame, _ in few))
    assert regular.equals(pl.concat(good for _, good in few))
    assert regular.any()
    assert not regular.all()
