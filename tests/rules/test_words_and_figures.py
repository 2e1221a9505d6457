"""Words for numbers, the confidence and the yearly cost, at their edges."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import polars as pl
import pytest
from coilbook.analytics.confidence import above, below, confidence
from coilbook.analytics.costs import per_year
from coilbook.analytics.replay.words import figure
from coilbook.analytics.rules import words
from coilbook.dashboards import words as page_words


def said(expr: pl.Expr) -> object:
    return pl.select(expr).item()


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0 min"),
        (45.4, "45 s"),
        (60.0, "1 min"),
        (90.0, "90 s"),
        (119.6, "120 s"),
        (240.0, "4 min"),
        (3570.0, "1 h"),
        (3600.0, "1 h"),
        (4800.0, "1 h 20 min"),
        (90000.0, "25 h"),
        (3_600_000.0, "1\u202f000 h"),
    ],
)
def test_durations(seconds: float, text: str) -> None:
    assert said(words.duration(pl.lit(seconds))) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0.00"),
        (1.125, "1.13"),
        (9.999, "10.00"),
        (-0.004, "0.00"),
        (-2.5, "\u22122.50"),
        (1234567.5, "1\u202f234\u202f567.50"),
    ],
)
def test_decimals(value: float, text: str) -> None:
    assert said(words.decimals(pl.lit(value), 2)) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (-0.4, "0"),
        (-9.0, "\u22129"),
        (999.4, "999"),
        (999.5, "1\u202f000"),
        (90817, "90\u202f817"),
        (100000, "100\u202f000"),
        (1234567.0, "1\u202f234\u202f567"),
        (None, None),
    ],
)
def test_whole_numbers_stand_in_threes_with_a_true_minus(value: float | None, text: str | None) -> None:
    assert said(words.whole(pl.lit(value))) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(24.0, "24"), (6, "6"), (6.25, "6.25"), (-0.5, "\u22120.5"), (4000.5, "4\u202f000.5"), (-0.001, "0")],
)
def test_numbers_lose_an_empty_decimal(value: float, text: str) -> None:
    assert said(words.number(pl.lit(value))) == text


def test_counts_with_their_noun() -> None:
    counts = pl.Series("n", [1, 2, 1234], pl.UInt32)
    shown = pl.select(words.counted(pl.lit(counts), "event", "events")).to_series()
    assert shown.to_list() == ["1 event", "2 events", "1\u202f234 events"]


def test_sentences_and_pages_write_numbers_alike() -> None:
    for value in (-1234567.0, -9.0, 0.0, 999.0, 90817.0):
        assert said(words.whole(pl.lit(value))) == page_words.number(value)
        assert said(words.decimals(pl.lit(value), 1)) == page_words.number(value, 1)


def test_power_and_energy() -> None:
    assert said(words.power(pl.lit(850.0))) == "850 W"
    assert said(words.power(pl.lit(1500.0))) == "1.5 kW"
    assert said(words.power(pl.lit(-9.0))) == "\u22129 W"
    assert said(words.energy(pl.lit(80.0))) == "80 Wh"
    assert said(words.energy(pl.lit(2100.0))) == "2.1 kWh"


def test_clock_shows_each_row_at_its_own_zone() -> None:
    ts = datetime.fromisoformat("2026-03-08T09:30")  # the hour that Denver skips begins at 09:00Z
    frame = pl.DataFrame(
        {"ts": [ts, ts, None], "timezone": ["America/Denver", "Asia/Kathmandu", "America/Denver"]}
    )
    shown = words.with_clock(frame.cast({"ts": pl.Datetime("us")}), {"ts": "at"})
    assert shown["at"].to_list() == ["03:30", "15:15", None]


def test_instants_keep_their_fraction_in_rfc_3339() -> None:
    assert (
        said(words.rfc3339(pl.lit(datetime.fromisoformat("2026-03-08T09:30:01.5"))))
        == "2026-03-08T09:30:01.500Z"
    )


@pytest.mark.parametrize(
    ("events", "margin", "coverage", "expected"),
    [
        (1, 0.0, 1.0, 0.5),
        (3, 0.0, 1.0, 0.75),
        (1, 1.0, 1.0, 0.75),
        (3, 0.0, 0.8, 0.6),
        (None, None, None, 0.5),
    ],
)
def test_confidence(
    events: int | None, margin: float | None, coverage: float | None, expected: float
) -> None:
    found = said(
        confidence(pl.lit(events, pl.Int64), pl.lit(margin, pl.Float64), pl.lit(coverage, pl.Float64))
    )
    assert found == pytest.approx(expected)


def test_margins_are_in_units_of_the_limit() -> None:
    assert said(above(pl.lit(9.0), pl.lit(6.0))) == pytest.approx(0.5)
    assert said(below(pl.lit(90.0), pl.lit(300.0))) == pytest.approx(0.7)


def yearly(costs: dict[int, float | None]) -> dict[int, float]:
    """Yearly cost by day number, of daily costs by day number."""
    first = date(2026, 1, 1)
    rows = [("c1", first + timedelta(days=n), cost) for n, cost in costs.items()]
    schema = {"circuit_id": pl.String, "local_date": pl.Date, "cost": pl.Float64}
    done = per_year(pl.DataFrame(rows, schema=schema, orient="row"))
    return {(day - first).days: cost for day, cost in done.select("local_date", "cost_per_year").iter_rows()}


def test_one_bad_day_counts_as_once_a_week_and_seven_in_a_row_as_every_day() -> None:
    found = yearly(dict.fromkeys(range(7), 1.0))
    assert found[0] == pytest.approx(365 / 7, abs=0.01)
    assert found[6] == pytest.approx(365)


def test_a_cost_of_the_second_week_spreads_over_two_weeks() -> None:
    assert yearly({0: 1.0, 7: 1.0})[7] == pytest.approx(365 * 2 / 14, abs=0.01)


def test_costs_older_than_28_days_are_forgotten_and_unknown_ones_stay_unknown() -> None:
    found = yearly({0: 100.0, 28: 1.0, 29: None})
    assert found[28] == pytest.approx(365 / 7, abs=0.01)
    assert 29 not in found


def test_a_recommendation_writes_numbers_as_a_finding_does() -> None:
    for value in (-1234.5, -0.001, 0.0, 90817.25):
        assert figure(value, 2) == said(words.decimals(pl.lit(value), 2))
