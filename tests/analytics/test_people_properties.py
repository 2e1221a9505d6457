"""`standing` against a person with paper: whatever is done and taken back, in whatever order rows come."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from coilbook.analytics.standing import OUTCOMES, standing
from hypothesis import given, settings
from hypothesis import strategies as st
from test_people import ACT

FIRST = datetime.fromisoformat("2026-03-10T13:30")

WISHES = st.lists(
    st.tuples(
        st.sampled_from(["k1", "k2", "k3"]),
        st.one_of(
            st.tuples(st.just("assign"), st.sampled_from(["Sam", "Ola", None])),
            st.tuples(st.just("snooze"), st.dates(date(2026, 3, 11), date(2026, 4, 11))),
            st.tuples(st.just("note"), st.text("ab", min_size=1, max_size=3)),
            st.tuples(st.just("close"), st.sampled_from(OUTCOMES)),
            st.tuples(st.just("reopen"), st.none()),
            st.tuples(st.just("undo"), st.none()),
        ),
    ),
    max_size=30,
)
FIELD = {"assign": "to_person", "snooze": "until", "note": "text", "close": "outcome"}


@dataclass
class Paper:
    """A case on paper: each act that stands is a line; an undo strikes the lowest line out."""

    lines: list[dict[str, Any]] = field(default_factory=list)
    version: int = 0

    def read(self, case_id: str) -> dict[str, Any]:
        """The lines read from the top, each changing what stands."""
        row = dict.fromkeys(standing(pl.DataFrame(schema=ACT)).columns) | {"case_id": case_id}
        for line in self.lines:
            kind = line["kind"]
            if kind == "assign":
                row["assigned_to"] = line["to_person"]
            if kind == "snooze":
                row |= {"snoozed_until": line["until"], "snoozed_at": line["at"]}
            if kind in ("close", "reopen"):
                closing = kind == "close"
                row |= {"snoozed_until": None, "snoozed_at": None, "outcome": line["outcome"]}
                row |= {"closed_at": line["at"] if closing else None}
                row |= {"closed_by": line["who"] if closing else None}
            if line["text"] is not None:
                row |= {"note": line["text"], "note_at": line["at"], "note_by": line["who"]}
        return row | {"version": self.version}


def played(wishes: list[tuple[str, tuple[str, Any]]]) -> tuple[list[dict[str, Any]], dict[str, Paper]]:
    """The rows that these wishes add, and the papers that they leave."""
    rows: list[dict[str, Any]] = []
    papers: dict[str, Paper] = {}
    for case_id, (kind, value) in wishes:
        paper = papers.get(case_id, Paper())
        if kind == "undo" and not paper.lines:
            continue  # refused: nothing is left to take back
        act_id = len(rows) + 1
        row = dict.fromkeys(ACT) | {
            "case_id": case_id,
            "act_id": act_id,
            "kind": kind,
            "who": f"p{act_id % 3}",
        }
        row |= {"at": FIRST + timedelta(minutes=act_id)}
        if kind == "undo":
            row["undoes"] = paper.lines.pop()["act_id"]
        else:
            row |= {FIELD[kind]: value} if kind in FIELD else {}
            paper.lines.append(row)
        paper.version = act_id
        papers[case_id] = paper
        rows.append(row)
    return rows, papers


@settings(max_examples=300, deadline=None)
@given(WISHES, st.randoms(use_true_random=False))
def test_standing_is_what_the_paper_says_in_whatever_order_the_rows_come(
    wishes: list[tuple[str, tuple[str, Any]]], chance: Any
) -> None:
    rows, papers = played(wishes)
    chance.shuffle(rows)
    found = standing(pl.DataFrame(rows, schema=ACT))
    assert found.to_dicts() == [papers[case_id].read(case_id) for case_id in sorted(papers)]


@settings(max_examples=100, deadline=None)
@given(WISHES)
def test_taking_everything_back_leaves_only_the_version(wishes: list[tuple[str, tuple[str, Any]]]) -> None:
    undos = [(case_id, ("undo", None)) for case_id, _ in wishes]
    rows, papers = played([*wishes, *undos])
    for row in standing(pl.DataFrame(rows, schema=ACT)).iter_rows(named=True):
        assert row.pop("version") == papers[row.pop("case_id")].version
        assert set(row.values()) == {None}
