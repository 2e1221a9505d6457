"""Runs every case of `fixtures/cases/*.toml` through its rule, as a review would."""

from __future__ import annotations

import json

import pytest
from case_frames import Case, frames_of, read_cases, settings_of
from coilbook.analytics.judge import verdicts
from coilbook.analytics.rules import BY_NAME

CASES = list(read_cases())


@pytest.mark.parametrize("case", [pytest.param(case, id=f"{case.rule}: {case.name}") for case in CASES])
def test_case(case: Case) -> None:
    rule = BY_NAME[case.rule]
    found = verdicts(frames_of(case), settings_of(case), [rule])
    rows = found.findings.to_dicts()
    assert bool(rows) is case.fires, rows
    reasons = found.not_judged["reason"].to_list()
    expected = case.expect.get("not_judged")
    assert reasons == ([] if expected is None else [expected] if isinstance(expected, str) else expected)
    if case.fires:
        _compare(rows, case)


def _compare(rows: list[dict[str, object]], case: Case) -> None:
    assert len(rows) == case.expect.get("findings", 1)
    row = rows[0]
    for name in ("subject", "count", "severity", "unit", "currency"):
        if name in case.expect:
            assert row[name] == case.expect[name], name
    for name in ("measure", "limit", "cost_per_year", "confidence"):
        if name in case.expect:
            assert row[name] == pytest.approx(case.expect[name], abs=1e-3), name
    if case.expect.get("no_cost"):
        assert (row["cost_per_year"], row["currency"]) == (None, None)
    for part in ("sentence", "next_step"):
        if part in case.expect:
            assert case.expect[part] in str(row[part])
    evidence = json.loads(str(row["evidence"]))
    for name, value in case.expect.get("evidence", {}).items():
        assert evidence[name] == value, name


def test_every_rule_has_a_case_that_fires_and_one_that_stays_quiet() -> None:
    for name in BY_NAME:
        kinds = {case.fires for case in CASES if case.rule == name}
        assert kinds == {True, False}, name
