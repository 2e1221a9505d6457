"""When cases open, go on, clear, come back and are withdrawn, on weeks short enough to read.

A week is a string, one character a day from 1 March on: F a finding, x a finding explained by another rule,
. clean, - nothing to judge, and a blank for a day not judged.
"""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest
from coilbook.analytics.cases import cases_from
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.analytics.rules.shape import table_schema

FIRST = date(2026, 3, 1)
NONE = pl.DataFrame(schema=table_schema("service_case"))


def day(number: int) -> date:
    return FIRST + timedelta(days=number - 1)


def weeks(week: str, rule: str = "chatter", standing: pl.DataFrame = NONE) -> pl.DataFrame:
    """The cases of one circuit whose newest whole day is the last of `week`."""
    days = [(day(i), kind) for i, kind in enumerate(week, start=1)]
    findings = [
        {
            "rule": rule,
            "subject": "c1",
            "subject_kind": "circuit",
            "site_id": "s1",
            "local_date": on,
            "severity": "danger",
            "sentence": f"seen on {on}",
            "explained_by": "cloud_starts" if kind == "x" else None,
        }
        for on, kind in days
        if kind in "Fx"
    ]
    judged = [(rule, "c1", on, kind != "-") for on, kind in days if kind != " "]
    return cases_from(
        pl.DataFrame(findings, schema=table_schema("finding")),
        pl.DataFrame(
            judged,
            schema={"rule": pl.String, "subject": pl.String, "local_date": pl.Date, "exposed": pl.Boolean},
            orient="row",
        ),
        pl.DataFrame({"site_id": ["s1"], "last_day": [days[-1][0]]}),
        standing,
        RuleSettings(),
    )


def spans(cases: pl.DataFrame) -> list[tuple[str, int, int, int, int | None]]:
    """state, then first finding, opening, last finding and clearing as days of March."""
    dates = ("first_finding_on", "opened_on", "last_finding_on", "cleared_on")
    return [
        (state, *((on - FIRST).days + 1 if on else None for on in row))
        for state, *row in cases.sort("first_finding_on").select("state", *dates).iter_rows()
    ]


@pytest.mark.parametrize(
    ("week", "expected"),
    [
        pytest.param("..F", [("new", 3, 3, 3, None)], id="new on the day it opened"),
        pytest.param("..F.", [("continuing", 3, 3, 3, None)], id="one clean day does not clear"),
        pytest.param("..F..", [("cleared", 3, 3, 3, 5)], id="two clean days do"),
        pytest.param("F  .", [("continuing", 1, 1, 1, None)], id="days not judged neither clear"),
        pytest.param("F. .", [("cleared", 1, 1, 1, 4)], id="nor do they break the count of clean days"),
        pytest.param("F.F.", [("continuing", 1, 1, 3, None)], id="one clean day between joins two findings"),
        pytest.param("F..F", [("cleared", 1, 1, 1, 3), ("back", 4, 4, 4, None)], id="back after clearing"),
        pytest.param("F..F.", [("cleared", 1, 1, 1, 3), ("continuing", 4, 4, 4, None)], id="then it goes on"),
        pytest.param(
            "F.." + "." * 30 + "F",
            [("cleared", 1, 1, 1, 3), ("new", 34, 34, 34, None)],
            id="31 days later: new",
        ),
        pytest.param("F--", [("continuing", 1, 1, 1, None)], id="days with nothing to judge do not clear"),
        pytest.param("F" + "-" * 14, [("cleared", 1, 1, 1, 15)], id="but a fortnight of them does"),
        pytest.param("x", [], id="an explained finding opens nothing"),
        pytest.param("Fxx", [("cleared", 1, 1, 1, 3)], id="nor does it keep a case up"),
        pytest.param(
            "FxxF", [("cleared", 1, 1, 1, 3), ("back", 4, 4, 4, None)], id="what goes on after that is back"
        ),
        pytest.param("...", [], id="no finding, no case"),
    ],
)
def test_a_rule_that_opens_at_once(week: str, expected: list[tuple[str, int, int, int, int | None]]) -> None:
    assert spans(weeks(week)) == expected


@pytest.mark.parametrize(
    ("week", "expected"),
    [
        pytest.param("F......", [], id="one day of broken sky is weather"),
        pytest.param("F..F..F", [("new", 1, 7, 7, None)], id="three in a fortnight are a setting"),
        pytest.param(
            "F" + "." * 11 + "FF", [("new", 1, 14, 14, None)], id="the first is the fourteenth day back"
        ),
        pytest.param("F" + "." * 12 + "FF", [], id="the fifteenth is too old"),
        pytest.param("F" + " " * 12 + "FF", [("new", 1, 15, 15, None)], id="days not judged do not age it"),
        pytest.param(
            "F" + "-" * 12 + "FF", [("new", 1, 15, 15, None)], id="nor days without a surplus start"
        ),
        pytest.param(
            "FFF..F",
            [("cleared", 1, 3, 3, 5), ("back", 6, 6, 6, None)],
            id="after clearing one brings it back",
        ),
    ],
)
def test_three_of_fourteen(week: str, expected: list[tuple[str, int, int, int, int | None]]) -> None:
    assert spans(weeks(week, "cloud_starts")) == expected


def test_a_case_speaks_with_its_newest_finding() -> None:
    row = weeks("F.F").row(0, named=True)
    assert row["case_id"] == "chatter:c1:2026-03-01"
    assert row["sentence"] == "seen on 2026-03-03"
    assert row["days"] == 2


def test_a_case_that_loses_all_its_findings_is_withdrawn_and_kept() -> None:
    before = weeks("..F")
    after = weeks("....", standing=before)
    assert spans(after) == [("withdrawn", 3, 3, 3, 4)]
    later = weeks("......", standing=after)
    assert spans(later) == [("withdrawn", 3, 3, 3, 4)], "the day it was withdrawn stays"
    assert later["case_id"].to_list() == before["case_id"].to_list()


def test_a_withdrawn_case_stands_again_with_its_finding() -> None:
    gone = weeks("....", standing=weeks("..F"))
    again = weeks("..F.", standing=gone)
    assert again["case_id"].to_list() == ["chatter:c1:2026-03-03"]
    assert spans(again) == [("continuing", 3, 3, 3, None)]


def test_a_late_log_that_moves_the_first_finding_keeps_the_case_id() -> None:
    before = weeks("..FF")
    after = weeks(".FFF", standing=before)
    assert spans(after) == [("continuing", 2, 2, 4, None)]
    assert after["case_id"].to_list() == ["chatter:c1:2026-03-03"]


def test_a_late_log_that_splits_a_case_gives_two_ids() -> None:
    joined = weeks("F.F.F")
    split = weeks("F..." + "F", standing=joined)
    assert split.sort("first_finding_on")["case_id"].to_list() == [
        "chatter:c1:2026-03-01",
        "chatter:c1:2026-03-05",
    ]


def test_ids_stay_distinct_when_a_moved_case_splits_at_its_old_first_day() -> None:
    moved = weeks("F.F", standing=weeks("..F"))
    assert moved["case_id"].to_list() == ["chatter:c1:2026-03-03"]
    split = weeks("F   ..F", standing=moved)
    assert split["case_id"].n_unique() == split.height


def test_two_cases_that_a_late_log_joins_become_one_and_the_other_is_withdrawn() -> None:
    apart = weeks("F..F")
    joined = weeks("FF.F", standing=apart)
    assert spans(joined) == [("continuing", 1, 1, 4, None), ("withdrawn", 4, 4, 4, 4)]


def test_the_same_cases_come_out_when_nothing_changed() -> None:
    once = weeks("F..F.")
    assert weeks("F..F.", standing=once).equals(once)
