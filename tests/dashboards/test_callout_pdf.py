"""The callout sheet as PDF: paper, pages, letters."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace
from datetime import date

import polars as pl
import pytest
from coilbook.analytics import callout
from coilbook.dashboards.callout_pdf import callout_pdf
from coilbook.dashboards.callout_sheet import Sheet, callout_sheet
from starlette.testclient import TestClient

SIZES = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}
"""ISO 216 A4, 210 x 297 mm, and ANSI Letter, 8.5 x 11 in, in points of 1/72 in."""


def pages(pdf: bytes) -> list[tuple[float, float]]:
    """Sizes of the pages [pt]; a page without a size of its own has that of the document."""
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    count = len(re.findall(rb"/Type /Page\b(?!s)", pdf))
    assert len(boxes) in (1, count)
    return [(float(w), float(h)) for w, h in boxes] * (count if len(boxes) == 1 else 1)


@pytest.mark.parametrize("paper", SIZES)
def test_the_sheet_is_drawn_on_the_paper_asked_for(client: TestClient, paper: str) -> None:
    answer = client.get(f"/sites/fen/callout.pdf?paper={paper}")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF-")
    assert all(size == pytest.approx(SIZES[paper], abs=0.01) for size in pages(answer.content))


def test_a_paper_that_there_is_not_and_a_site_that_there_is_not(client: TestClient) -> None:
    assert client.get("/sites/fen/callout.pdf?paper=a5").status_code == 404
    assert client.get("/sites/nowhere/callout.pdf").status_code == 404


def sheet(rules: list[str], name: str = "Fen House") -> Sheet:
    """A sheet with a case of each rule, each on a circuit of its own."""
    subjects = [f"c{n}" for n in range(len(rules))]
    size = len(rules)
    cases = pl.DataFrame(
        {
            "rule": rules,
            "site_id": ["fen"] * size,
            "last_finding_on": [date(2026, 3, 10)] * size,
            "subject": subjects,
            "subject_kind": ["circuit"] * size,
            "appliance": ["pool_pump"] * size,
            "severity": ["service"] * size,
            "sentence": ["Measured 12.5 A where 8 A was expected."] * size,
            "next_step": ["Send a licensed person and look for what the numbers say."] * size,
            "strip": [["f", "c"] * 7] * size,
            "last_day": [date(2026, 3, 10)] * size,
            "note": [None] * size,
            "note_by": [None] * size,
        },
        schema_overrides={"note": pl.String, "note_by": pl.String},
    )
    nothing = pl.DataFrame(
        schema={
            "rule": pl.String,
            "subject": pl.String,
            "local_date": pl.Date,
            "sentence": pl.String,
            "explained_by": pl.String,
        }
    )
    circuits = pl.DataFrame(
        {
            "circuit_id": subjects,
            "appliance": ["pool_pump"] * size,
            "contactor": ["2-pole 40 A"] * size,
            "poles": [2] * size,
            "load_a": [12.5] * size,
            "coil_v": [24.0] * size,
            "ops": [1200.0] * size,
            "used": [0.5] * size,
            "fitted_on": [date(2024, 1, 1)] * size,
        }
    )
    log = pl.DataFrame(
        schema={"circuit_id": pl.String, "date": pl.Date, "action": pl.String, "note": pl.String}
    )
    card = {
        "site_id": "fen",
        "name": name,
        "area": "North",
        "timezone": "America/Denver",
        "latitude": 39.7,
        "longitude": -105.0,
    }
    return callout_sheet(
        card,
        cases,
        nothing,
        circuits,
        log,
        callout.callout_checks(cases),
        callout.callout_parts(cases, circuits),
        callout.callout_kit(cases),
        printed_on=date(2026, 3, 11),
        horizon=None,
    )


@pytest.mark.parametrize("paper", SIZES)
@pytest.mark.parametrize("rule", callout.ASKS)
def test_a_case_alone_is_one_sheet_or_two(rule: str, paper: str) -> None:
    made = callout_pdf(sheet([rule]), "a4" if paper == "a4" else "letter")
    assert 1 <= len(pages(made)) <= 2


def test_every_rule_at_once_runs_over_pages_and_loses_nothing() -> None:
    full = sheet(list(callout.ASKS))
    assert [c.number for _, checks in full.stages for c in checks] == list(range(1, len(callout.CHECKS) + 1))
    assert len(pages(callout_pdf(full, "letter"))) > 2


def test_a_site_without_a_case_is_one_sheet_that_says_so() -> None:
    assert len(pages(callout_pdf(sheet([]), "a4"))) == 1


@pytest.mark.parametrize("name", ["Dvořákův dvůr", "Οικία Ηλίου", "Дом на реке", "Nhà Nguyễn"])
def test_names_in_other_letters_are_drawn(name: str, caplog: pytest.LogCaptureFixture) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        callout_pdf(sheet(["silent"], name), "a4")
    assert "missing" not in caplog.text


def test_the_same_sheet_is_the_same_file() -> None:
    one = replace(sheet(["chatter"]), horizon=None)
    assert re.sub(rb"/(CreationDate|ID).*", b"", callout_pdf(one, "a4")) == re.sub(
        rb"/(CreationDate|ID).*", b"", callout_pdf(one, "a4")
    )


def test_contactors_to_bring_are_told_by_poles_current_and_coil() -> None:
    seen = sheet(["chatter", "cloud_starts"])
    assert [row[0] for row in seen.parts.rows] == ["c0"]
    assert [cell.replace("\u202f", " ") for cell in seen.parts.rows[0][2:]] == [
        "2-pole 40 A",
        "2",
        "12.5 A",
        "24 V",
    ]
    assert [row[0] for row in seen.fitted.rows] == ["c1"]
