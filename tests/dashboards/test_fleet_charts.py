"""The fleet's charts: their rows worked out by hand, their specs valid."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest
from coilbook.dashboards import fleet_tables, words
from coilbook.dashboards.charts import cases_by_week, contactors_due, firmware_cohorts, rule_precision
from coilbook.dashboards.charts.look import AnyChart, spec
from page_reader import Page
from starlette.testclient import TestClient

WEEKS = pl.DataFrame(
    [
        (date(2026, 2, 2), True, "chatter", "North", 1, 0, 1),
        (date(2026, 2, 16), True, "chatter", "North", 0, 1, 0),
        (date(2026, 2, 16), True, "silent", "North", 2, 0, 2),
        (date(2026, 2, 16), True, "silent", "South", 1, 0, 1),
    ],
    schema={
        "week": pl.Date,
        "whole": pl.Boolean,
        "rule": pl.String,
        "area": pl.String,
        "opened": pl.Int64,
        "cleared": pl.Int64,
        "standing": pl.Int64,
    },
    orient="row",
)
PRECISION = pl.DataFrame(
    {
        "rule": ["chatter", "silent"],
        "confirmed": [3, 0],
        "not_found": [1, 0],
        "no_access": [2, 1],
        "setting_changed": [0, 4],
        "precision": [0.75, None],
        "low": [0.3, None],
        "high": [0.95, None],
    }
)
DUE = pl.DataFrame(
    {
        "quarter": [date(2026, 1, 1), date(2026, 1, 1), date(2026, 7, 1)],
        "overdue": [True, False, False],
    }
)
RATES = pl.DataFrame(
    {
        "firmware": ["2.1"] * 4,
        "period": ["before", "after"] * 2,
        "controllers": [3] * 4,
        "circuits": [5] * 4,
        "circuit_weeks": [20.0] * 4,
        "measure": ["findings", "findings", "starts", "starts"],
        "count": [2, 30, 100, 110],
        "per_circuit_week": [0.1, 1.5, 5.0, 5.5],
        "low": [0.01, 1.0, 4.1, 4.5],
        "high": [0.36, 2.1, 6.1, 6.6],
    }
)


def test_weeks_without_a_case_are_there_as_zeros() -> None:
    counts = cases_by_week.cases_by_week_data(WEEKS, "rule")
    told = counts.select("panel", "week", "opened", "cleared", "standing").rows()
    assert told == [
        ("No log", date(2026, 2, 2), 0, 0, 0),
        ("No log", date(2026, 2, 9), 0, 0, 0),
        ("No log", date(2026, 2, 16), 3, 0, 3),
        ("Chattering contactor", date(2026, 2, 2), 1, 0, 1),
        ("Chattering contactor", date(2026, 2, 9), 0, 0, 0),
        ("Chattering contactor", date(2026, 2, 16), 0, 1, 0),
    ]


def test_areas_sum_their_rules() -> None:
    counts = cases_by_week.cases_by_week_data(WEEKS, "area").filter(pl.col("week") == date(2026, 2, 16))
    assert dict(counts.select("panel", "standing").iter_rows()) == {"North": 2, "South": 1}


def test_the_table_of_weeks_sums_the_newest() -> None:
    table = fleet_tables.weeks_table(cases_by_week.cases_by_week_data(WEEKS, "rule"), "Rule")
    assert [list(row) for row in table.rows] == [
        ["No log", "3", words.DASH, "3", "0", "3"],
        ["Chattering contactor", "0", words.DASH, "1", "1", "1"],
    ]


def test_rules_that_nobody_has_seen_have_no_precision_and_are_counted() -> None:
    rules = rule_precision.rule_precision_data(PRECISION)
    assert rules.select("rule", "seen", "precision").rows() == [
        ("Chattering contactor", 4, 0.75),
        ("No log", 0, None),
    ]
    rows = fleet_tables.precision_table(rules).rows
    assert rows[0][3].replace("\u202f", " ") == "75 %"
    assert rows[1][4] == "nobody has seen one yet"


def test_quarters_between_are_there_with_none() -> None:
    quarters = contactors_due.contactors_due_data(DUE)
    assert quarters.select("name", "due", "overdue").rows() == [
        ("2026 Q1", 1, 1),
        ("2026 Q2", 0, 0),
        ("2026 Q3", 1, 0),
        *(
            (f"{year} Q{number}", 0, 0)
            for year, number in ((2026, 4), (2027, 1), (2027, 2), (2027, 3), (2027, 4))
        ),
    ]
    assert contactors_due.contactors_due_data(DUE.clear()).is_empty()


def test_versions_are_compared_with_the_weeks_before() -> None:
    rates = firmware_cohorts.firmware_cohorts_data(RATES)
    assert rates.select("measure", "period").rows() == [
        ("Starts", "before"),
        ("Starts", "after"),
        ("Findings", "before"),
        ("Findings", "after"),
    ]
    rows = fleet_tables.firmware_table(rates).rows
    assert [(row[1], row[-1]) for row in rows] == [("Starts", "overlap"), ("Findings", "higher after")]


def charts() -> list[AnyChart]:
    return [
        cases_by_week.cases_by_week_chart(cases_by_week.cases_by_week_data(WEEKS, "rule")),
        cases_by_week.cases_by_week_chart(cases_by_week.cases_by_week_data(WEEKS, "area")),
        rule_precision.rule_precision_chart(rule_precision.rule_precision_data(PRECISION)),
        contactors_due.contactors_due_chart(contactors_due.contactors_due_data(DUE)),
        firmware_cohorts.firmware_cohorts_chart(firmware_cohorts.firmware_cohorts_data(RATES)),
    ]


@pytest.mark.parametrize("place", range(5))
def test_charts_are_valid_have_titles_and_units_on_their_axes(place: int) -> None:
    told = spec(charts()[place], name="x")
    for panel in told.get("vconcat", [told]):
        assert panel["title"]
        axes = [
            channel["axis"]["title"]
            for layer in panel.get("layer", [panel])
            for channel in layer["encoding"].values()
            if isinstance(channel, dict) and (channel.get("axis") or {}).get("title")
        ]
        assert axes


@pytest.mark.parametrize("chart", ["by-rule", "by-area"])
def test_charts_of_the_page_are_served_with_their_rows(client: TestClient, chart: str) -> None:
    assert client.get(f"/fleet/charts/{chart}.json").json()["vconcat"]
    assert client.get(f"/fleet/charts/{chart}.csv").text.startswith("panel,week,")


@pytest.mark.parametrize("chart", ["nothing", "by-rule"])
def test_charts_that_are_not_there(client: TestClient, chart: str) -> None:
    assert client.get(f"/fleet/charts/{chart}.json?area=Nowhere").status_code == 404


def test_the_page_says_what_it_does_not_know(client: TestClient) -> None:
    text = Page(client.get("/fleet").text).text
    assert "No case has been closed by anybody yet" in text
    assert "No controller changed its version" in text
    assert "Worst circuits of the last 28 days" in text
