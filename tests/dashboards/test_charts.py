"""Chart data and specs: valid Vega-Lite that also compiles, local time, and nothing a strict page forbids."""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import Any

import polars as pl
import pytest
import vl_convert
from coilbook.analytics.queries import site
from coilbook.analytics.queries.site import site_card
from coilbook.analytics.queries.timeline import Timeline, timeline
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.api.site_charts import drawn_record, drawn_timeline
from coilbook.dashboards import palette
from coilbook.dashboards.charts import run_lengths, starts_per_day, wear, window_calendar
from coilbook.dashboards.charts import timeline as timeline_chart
from coilbook.dashboards.charts.look import spec
from coilbook.ingest.store import Session
from small_store import LAST, at, day

RECORDS = ("windows", "starts", "lengths", "wear")


def seen(session: Session, first: str = "2026-03-10T18:00", last: str = "2026-03-10T20:00") -> Timeline:
    return timeline(session, "fen", at(first), at(last))


def told(session: Session, chart: str) -> dict[str, Any]:
    if chart == "timeline":
        drawn = drawn_timeline(seen(session, "2026-03-08T00:00", "2026-03-11T06:00"))
    else:
        card = site_card(session, "fen")
        assert card is not None
        found = drawn_record(session, card, chart, day(1), LAST, RuleSettings())
        assert found is not None
        drawn = found
    return spec(drawn.draw(), name=chart)


@pytest.mark.parametrize("chart", ["timeline", *RECORDS])
def test_specs_compile_with_titles_units_and_tooltips(session: Session, chart: str) -> None:
    made = told(session, chart)
    compiled = vl_convert.vegalite_to_vega(made)
    assert compiled["marks"]
    panels = made.get("vconcat") or made["concat"]
    assert all(panel["title"] for panel in panels)
    assert "tooltip" in json.dumps(panels)


@pytest.mark.parametrize("chart", ["timeline", *RECORDS])
def test_no_scale_of_a_spec_calls_datetime(session: Session, chart: str) -> None:
    # A page that forbids eval walks expressions, and that walker knows no `datetime`.
    assert "datetime(" not in json.dumps(vl_convert.vegalite_to_vega(told(session, chart)))


@pytest.mark.parametrize("chart", ["timeline", *RECORDS])
def test_specs_carry_both_looks_and_no_config_of_their_own(session: Session, chart: str) -> None:
    made = told(session, chart)
    assert set(made["usermeta"]["looks"]) == {"light", "dark"}
    assert "config" not in made


def test_the_timeline_names_the_zone(session: Session) -> None:
    assert "local time, America/Denver" in json.dumps(told(session, "timeline"))


def test_bars_stand_at_the_wall_time_of_the_site(session: Session) -> None:
    bars = drawn_timeline(seen(session)).rows.filter(layer="run", circuit_id="fen-a")
    # 19:10 UTC is 13:10 in Denver, which went over to daylight saving time on 8 March.
    assert bars["from"].to_list()[0] == datetime(2026, 3, 10, 13, 10)  # noqa: DTZ001
    assert bars["what"].to_list() == ["on: surplus", "on: surplus", "on: by hand"]


def test_the_axis_is_given_wall_time_as_utc(session: Session) -> None:
    made = told(session, "timeline")
    scale = made["vconcat"][1]["layer"][0]["encoding"]["x"]["scale"]
    # 2026-03-08T00:00Z is 17:00 on 7 March in Denver: 1772902800 s after 1970 if read as UTC.
    assert scale["type"] == "utc"
    assert scale["domainMin"] == {"expr": "1772902800000"}


def test_power_breaks_at_a_hole(session: Session) -> None:
    power = timeline_chart.power_data(seen(session).power, "America/Denver")
    assert power.filter(pl.col("pv_w").is_null())["from"].to_list() == [datetime(2026, 3, 10, 12, 40)]  # noqa: DTZ001


def test_every_layer_of_the_lanes_is_drawn_where_it_has_something(session: Session) -> None:
    rows = drawn_timeline(seen(session, "2026-03-10T18:00", "2026-03-11T06:00")).rows
    assert set(rows["layer"]) == {"run", "window", "whole", "dip"}
    assert set(rows.filter(layer="whole")["what"]) == {"islanded", "no log"}


def test_a_range_with_nothing_in_it_still_draws(session: Session) -> None:
    empty = drawn_timeline(seen(session, "2026-01-01T00:00", "2026-01-02T00:00"))
    assert vl_convert.vegalite_to_vega(spec(empty.draw(), name="x"))["marks"]


def test_a_day_of_the_calendar_has_the_worst_of_its_windows() -> None:
    row = {"circuit_id": "c", "kind": "run", "need_s": 60.0, "on_s": 60.0}
    record = pl.DataFrame(
        [
            row
            | {
                "window_id": "r1",
                "verdict": "met",
                "local_date": date(2026, 3, 2),
                "start_ts": at("2026-03-02T08:00"),
            },
            row
            | {
                "window_id": "r2",
                "verdict": "late",
                "local_date": date(2026, 3, 2),
                "start_ts": at("2026-03-02T12:00"),
            },
        ]
    )
    days = window_calendar.window_calendar_data(record)
    assert days.select("verdict", "weekday", "week", "said").rows() == [
        ("late", "Mon", date(2026, 3, 2), "r1: met, on 1 min; r2: began late, on 1 min")
    ]


def test_starts_beyond_the_limit_are_marked(session: Session) -> None:
    days = site.starts_per_day(session, "fen", day(1), LAST)
    circuits = site.circuits(session, "fen")
    marked = starts_per_day.starts_per_day_data(days, circuits, {"pool_pump": 2.0, "other": 9.0})
    assert marked.filter("beyond")["local_date"].to_list() == [LAST]
    assert set(marked["limit"]) == {2.0}
    assert not starts_per_day.starts_per_day_data(days, circuits, {"other": 3.0})["beyond"].any()


def test_run_lengths_count_every_finished_run_once(session: Session) -> None:
    counts = run_lengths.run_lengths_data(site.run_lengths(session, "fen", day(1), LAST))
    assert counts["runs"].sum() == 5  # the sixth is open
    at_ten = counts.filter(low_min=10.0, cause="surplus")  # 10 min belongs to the class that begins there
    assert at_ten["runs"].to_list() == [2]
    assert counts["min_run_min"].unique().to_list() == [30.0]


@pytest.mark.parametrize("seconds", [0.0, 1.0, 200_000.0, 1e7])
def test_the_outer_classes_take_what_lies_beyond(seconds: float) -> None:
    run = {"circuit_id": "c", "start": at("2026-03-01T00:00"), "duration_s": seconds, "open": False}
    runs = pl.DataFrame(
        [run | {"cause_on": None, "min_run_s": None}], schema_overrides={"min_run_s": pl.Float64}
    )
    assert run_lengths.run_lengths_data(runs).select("cause", "runs").rows() == [("unknown", 1)]


def test_wear_is_projected_over_80_and_100_percent_with_its_interval(session: Session) -> None:
    parts = wear.wear_data(site.wear(session, "fen", day(1), LAST))
    expected = parts.filter(part="expected").select("used", "early", "day", "late").rows()
    assert expected == [
        (0.71, LAST, LAST, LAST),
        (0.8, date(2026, 10, 1), date(2026, 12, 1), date(2027, 3, 1)),
        (1.0, date(2028, 1, 1), date(2028, 8, 1), date(2029, 6, 1)),
    ]
    assert set(parts["circuit_id"]) == {"fen-a"}  # the other has no life figures: its use is not known


def test_many_rows_are_no_obstacle(session: Session) -> None:
    days = pl.DataFrame(
        {"circuit": "c", "starts": 1, "max_starts_1h": 1, "limit": 6.0, "beyond": False, "covered": 1.0}
    )
    many = days.join(
        pl.DataFrame({"local_date": pl.date_range(date(2000, 1, 1), date(2016, 1, 1), eager=True)}),
        how="cross",
    )
    assert many.height > 5000
    made = spec(starts_per_day.starts_per_day_chart(many, "UTC"), name="many")
    assert len(made["vconcat"][0]["data"]["values"]) == many.height


def test_the_palette_is_that_of_okabe_and_ito() -> None:
    # M. Okabe, K. Ito: Color Universal Design, 2008, https://jfly.uni-koeln.de/color/ ("Set of colors that is
    # unambiguous both to colorblinds and non-colorblinds"), as printed hex values.
    published = {"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}
    used = {
        hue
        for meanings in (palette.SEVERITY, palette.CAUSE, palette.POWER, palette.BEHIND, palette.VERDICT)
        for hue in meanings.values()
        if hue
    }
    assert used - published == {palette.GREY}  # grey says "not known" and nothing else
    not_known = {"data", "unknown", "no log"}
    for meanings in (palette.SEVERITY, palette.CAUSE, palette.BEHIND, palette.VERDICT):
        assert {name for name, hue in meanings.items() if hue == palette.GREY} <= not_known
