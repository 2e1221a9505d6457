"""The page on the minimum run: its charts' numbers, its words, its HTML, its report."""

from __future__ import annotations

import json
import time
from datetime import date
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl
import pytest
from coilbook.api.app import create_app
from coilbook.api.settings import Settings
from coilbook.dashboards import words
from coilbook.dashboards.charts.look import spec
from coilbook.dashboards.charts.min_run_cost import MOST_SERIES, cost_chart, cost_data, series_key
from coilbook.dashboards.charts.min_run_energy import energy_chart, energy_data
from coilbook.dashboards.charts.min_run_lengths import lengths_chart, lengths_data
from coilbook.dashboards.charts.min_run_sites import sites_chart, sites_data
from coilbook.dashboards.min_run_tables import left_out_table, past_table, sites_table
from coilbook.dashboards.min_run_words import past_sentence, said_alone
from coilbook.ingest.store import Store
from page_reader import Page
from starlette.testclient import TestClient

SETTINGS = ("on_level", "off_level", "on_delay_s", "off_delay_s", "min_rest_s")
SPREAD = ("mean", "mean_low", "mean_high", "median", "p10", "p90")


def curves(runs_min: tuple[float, ...], on_levels: tuple[float, ...] = (1.0,)) -> pl.DataFrame:
    """Curves whose cost is minimum run [min] + 100 x on level, starts 10 less a tenth of the run."""
    rows: list[dict[str, Any]] = []
    for run in runs_min:
        for level in on_levels:
            row: dict[str, Any] = {"candidate": len(rows), "min_run_s": run * 60, "words": f"run {run:g}"}
            row |= dict(zip(SETTINGS, (level, 0.5, 120.0, 120.0, None), strict=True))
            row |= {f"cost_{part}": run + 100 * level + k for k, part in enumerate(SPREAD)}
            row |= {f"starts_per_day_{part}": 10 - run / 10 + k for k, part in enumerate(SPREAD)}
            rows.append(row | {"solar_kwh": 300.0 - run, "bought_kwh": run, "own_kwh": 300.0})
    today: dict[str, Any] = dict.fromkeys(rows[0]) | {"words": "today", "cost_mean": 77.0}
    today |= {"starts_per_day_mean": 5.0, "solar_kwh": 250.0, "bought_kwh": 50.0, "own_kwh": 300.0}
    return pl.DataFrame([*rows, today], schema_overrides=dict.fromkeys(("min_rest_s",), pl.Float64))


def checked(chart: alt.TopLevelMixin) -> dict[str, Any]:
    """The chart as a spec: valid Vega-Lite, or altair raises."""
    return spec(chart, name="x")  # type: ignore[arg-type]


def test_cost_and_starts_in_one_series() -> None:
    data = cost_data(curves((0, 30, 60)), 1)
    cost = data.filter(pl.col("measure") == "cost")
    assert cost["min_run_min"].to_list() == [0.0, 30.0, 60.0]
    assert cost["mean"].to_list() == [100.0, 130.0, 160.0]
    assert cost["chosen"].to_list() == [False, True, False]
    assert cost["today"].unique().to_list() == [77.0]
    assert data.filter(pl.col("measure") == "starts_per_day")["mean"].to_list() == [10.0, 7.0, 4.0]
    assert series_key(data) == []
    panels = checked(cost_chart(data, "EUR"))["vconcat"]
    assert [panel["title"] for panel in panels] == ["Cost a circuit and year [EUR]", "Starts a day"]


def test_crossed_candidates_become_series_the_chosen_one_first() -> None:
    levels = (0.6, 0.7, 0.8, 0.9, 1.0, 1.1)
    data = cost_data(curves((0, 30), levels), 3)  # run 0, on at 90 %
    assert data["rank"].max() == MOST_SERIES - 1
    key = series_key(data)
    assert [said for _, said in key] == [
        "on at 90 %",
        "on at 60 %",
        "on at 70 %",
        "on at 80 %",
        "on at 100 %",
    ]
    assert len({colour for colour, _ in key}) == MOST_SERIES
    assert data.filter(pl.col("chosen"))["rank"].to_list() == [0, 0]
    checked(cost_chart(data, "EUR"))


def test_an_earlier_result_is_drawn_beside() -> None:
    data = cost_data(curves((0, 30)), 0, curves((0, 10, 20)))
    earlier = data.filter(pl.col("rank") == -1, pl.col("measure") == "cost")
    assert earlier["min_run_min"].to_list() == [0.0, 10.0, 20.0]
    checked(cost_chart(data, "EUR"))


def test_no_candidate_in_the_limit_is_drawn_without_a_mark() -> None:
    data = cost_data(curves((0, 30)), None)
    assert not data["chosen"].any()
    checked(cost_chart(data, "EUR"))
    checked(energy_chart(energy_data(curves((0, 30)), None)))


def test_energy_of_today_and_of_the_candidates_like_the_chosen_one() -> None:
    data = energy_data(curves((0, 30), (0.8, 1.0)), 3)  # run 30, on at 100 %
    sun = data.filter(pl.col("source") == "sun")
    bought = data.filter(pl.col("source") == "bought")
    assert sun["setting"].to_list() == ["today", "0", "30"]
    assert sun["kwh"].to_list() == [250.0, 300.0, 270.0]
    assert bought["from_kwh"].to_list() == sun["to_kwh"].to_list()
    assert bought["to_kwh"].to_list() == [300.0, 300.0, 300.0]
    assert sun["chosen"].to_list() == [False, False, True]
    checked(energy_chart(data))


SITES = pl.DataFrame(
    {
        "site_id": ["a", "b", "c"],
        "area": ["n", None, "s"],
        "circuits": [1, 2, 1],
        "today_cost": [10.0, 20.0, 5.0],
        "recommended_cost": [12.0, 15.0, 5.0],
        "change": [2.0, -5.0, 0.0],
        "worse": [True, False, False],
    }
)


def test_sites_by_their_change() -> None:
    data = sites_data(SITES)
    assert data["site_id"].to_list() == ["a", "c", "b"]
    assert data["place"].to_list() == [0, 1, 2]
    assert "1 site pays more (upwards), 2 less or the same" in checked(sites_chart(data, "EUR"))["title"]
    worse, better = (sites_table(SITES, "EUR", worse=worse) for worse in (True, False))
    assert [row[0] for row in worse.rows] == ['<a href="/sites/a">a</a>']
    assert [row[-1] for row in better.rows] == ["\u22125.00", "0.00"]
    assert sites_table(SITES, "EUR", worse=True, links=False).rows[0][0] == "a"


def test_a_site_of_any_name_is_escaped() -> None:
    odd = SITES.with_columns(pl.lit('<b>"&').alias("site_id"))
    cell = sites_table(odd, "EUR", worse=True).rows[0][0]
    assert cell == '<a href="/sites/%3Cb%3E%22%26">&lt;b&gt;&#34;&amp;</a>'


def test_lengths_of_three_readings_add_up_to_one() -> None:
    rows = [
        (words, candidate, low, high, runs)
        for words, candidate, counts in (
            ("as logged", None, (1, 3)), ("today", None, (2, 2)), ("run 30", 0, (0, 5)),
            ("run 60", 1, (0, 9)),
        )
        for (low, high), runs in zip(((0, 60), (60, None)), counts, strict=True)
    ]  # fmt: skip
    names = ("words", "candidate", "from_s", "to_s", "runs")
    data = lengths_data(pl.DataFrame(rows, schema=names, orient="row"), 0)
    assert data["whose"].unique(maintain_order=True).to_list() == ["logged", "today", "recommended"]
    assert data["share"].to_list() == [0.25, 0.75, 0.5, 0.5, 0.0, 1.0]
    panels = checked(lengths_chart(data, 1800.0))["vconcat"]
    assert [panel["title"] for panel in panels][-1] == "Replayed with run 30: 5 runs"
    none = pl.DataFrame(rows, schema=names, orient="row").with_columns(runs=pl.lit(0))
    checked(lengths_chart(lengths_data(none, None), None))


PAST = pl.DataFrame(
    {
        "appliance": ["spa", "spa", "spa", "pool_pump"],
        "starts_effect": [-4.0, -2.0, None, None],
        "starts_error": [1.0, -0.5, None, None],
    },
    schema_overrides={"starts_effect": pl.Float64},
)


def test_the_replays_error_for_past_changes_is_said() -> None:
    said = past_sentence(PAST, "spa")
    assert said.startswith("2 past changes of this class judged: the replay was out by 0.75 starts a day")
    assert "(+0.25 with its sign)" in said
    assert said.endswith("the changes themselves were 3.00.")
    assert past_sentence(PAST, "pool_pump").startswith("1 past change of this class could not be judged")
    assert past_sentence(PAST, "heat_pump").startswith("No minimum run of this class was ever changed")


def test_left_out_by_reason_most_first() -> None:
    frame = pl.DataFrame({"circuit_id": ["a", "b", "c"], "reason": ["x", "y", "y"]})
    assert left_out_table(frame).rows == [["2", "y", "b, c"], ["1", "x", "a"]]


def test_a_sentence_stands_alone_under_its_heading() -> None:
    assert said_alone("spa: minimum run 5 min. It costs 1.") == "Minimum run 5 min. It costs 1."


@pytest.fixture(scope="module")
def tuned(small_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A client of a store with two results: numbers 1 and 2."""
    copy = tmp_path_factory.mktemp("tuned") / "store.duckdb"
    copy.write_bytes(small_file.read_bytes())
    with Store.open(copy) as store, store.writing() as session:
        session.run("UPDATE site SET tariff_id = 'flat'")
        session.run(
            "INSERT INTO tariff BY NAME SELECT 'flat' AS tariff_id, 'daily' AS days, TIME '00:00' AS start, "
            "TIME '00:00' AS \"end\", 0.3 AS import_per_kwh, 0.1 AS export_per_kwh, 'EUR' AS currency"
        )
    with TestClient(create_app(Settings(store=copy, nightly=False, hosts=("testserver",)))) as client:
        for levels in ("1", "0.8, 1"):
            form: dict[str, Any] = {
                "min_runs_min": "0, 30",
                "on_levels": levels,
                "also_clock": "yes",
                "resamples": "20",
            }
            classes = ["pool_pump", "water_heater", "well_pump", "ev_charger"]
            answer = client.post(
                "/fleet/min-run", data={**form, "appliances": classes}, follow_redirects=False
            )
            assert answer.status_code == 303, answer.text
            number = answer.headers["location"].partition("=")[2]
            while client.get(f"/api/tunings/{number}/progress").json()["state"] == "running":
                time.sleep(0.05)
            told = client.get(f"/api/tunings/{number}").json()
            assert told["state"] == "done", told["sentence"]
            assert told["recommendations"], told["left_out"]
        yield client


@pytest.mark.parametrize("path", ["", "?run=1", "?run=2&with=1", "?run=nothing&with=99"])
def test_pages_are_sound_and_ask_nobody_else(tuned: TestClient, path: str) -> None:
    answer = tuned.get(f"/fleet/min-run{path}")
    assert answer.status_code == 200
    page = Page(answer.text)
    assert page.faults == []
    assert all(link.startswith(("/", "#", "?")) for link in page.links)
    for said in (
        "Taken for granted",
        "battery is taken as it was",
        "a placeholder of ours",
        "Circuits left out",
    ):
        assert said in page.text
    figures = [given["data-spec"] for tag, given in page.elements if "data-spec" in given]
    assert len(figures) % 4 == 0
    assert figures
    for address in figures:
        told = tuned.get(address)
        assert told.status_code == 200, address
        json.loads(told.content)
        rows = tuned.get(address.replace(".json", ".csv"))
        assert rows.text.count("\r\n") > 1, address


def test_the_page_says_not_enough_to_tell_with_its_reasons(tuned: TestClient) -> None:
    text = Page(tuned.get("/fleet/min-run?run=1").text).text
    assert "not enough to tell" in text
    assert "needed)" in text
    assert "No registry rows" in text


def test_two_results_beside_each_other_say_what_was_asked_differently(tuned: TestClient) -> None:
    text = Page(tuned.get("/fleet/min-run?run=2&with=1").text).text
    assert "Beside an earlier result" in text
    assert "The two were asked differently: on levels, of own power." in text


def test_a_form_that_cannot_be_used_comes_back_as_filled_in(tuned: TestClient) -> None:
    form = {"appliances": ["spa"], "min_runs_min": "ten", "contactor_change": "99"}
    answer = tuned.post("/fleet/min-run", data=form)
    assert answer.status_code == 422
    page = Page(answer.text)
    assert page.faults == []
    assert "min_runs_min 'ten': expected a number" in page.text
    values = {given.get("name"): given.get("value") for tag, given in page.elements if tag == "input"}
    assert (values["min_runs_min"], values["contactor_change"]) == ("ten", "99")
    assert tuned.post("/fleet/min-run", data={"name": "x"}).status_code == 422


def test_the_report_stands_alone(tuned: TestClient) -> None:
    answer = tuned.get("/fleet/min-run/1/report.html")
    assert answer.status_code == 200
    assert "attachment" in answer.headers["content-disposition"]
    html = answer.text
    assert html.count("<svg") >= 4
    assert "<script" not in html
    for address in ("src=", 'href="/', "url(", "@import"):
        assert address not in html
    assert "Taken for granted" in html


def test_there_is_no_chart_of_what_was_not_asked(tuned: TestClient) -> None:
    for path in ("1/charts/cost.json?appliance=spa&currency=EUR", "1/charts/x.json?appliance=a&currency=b"):
        assert tuned.get(f"/fleet/min-run/{path}").status_code == 404
    assert tuned.get("/fleet/min-run?run=77").status_code == 404
    assert tuned.get("/fleet/min-run/77/report.html").status_code == 404


def test_an_empty_store_says_what_to_do(bare: TestClient) -> None:
    page = Page(bare.get("/fleet/min-run").text)
    assert page.faults == []
    assert "coilbook load registry/ logs/" in page.text


def test_past_changes_logged_replayed_and_out_by() -> None:
    row = {
        "circuit_id": "a-1", "changed_on": date(2026, 3, 31), "before_s": 0.0, "after_s": 3600.0,
        "unchanged": 3, "starts_effect": -4.0, "replayed_starts": -7.31, "starts_error": -3.31,
        "grid_wh_effect": None, "replayed_grid_wh": 2530.0, "grid_wh_error": None, "reason": None,
    }  # fmt: skip
    (cells,) = past_table(pl.DataFrame([row])).rows
    assert cells[:3] == ["a-1", "31 Mar 2026", f"0{words.THIN}s to 1{words.THIN}h"]
    assert cells[3:7] == ["3", "\u22124.00", "\u22127.31", "\u22123.31"]
    assert cells[7:] == [words.DASH, f"+2{words.THIN}530", words.DASH, ""]


def test_past_table_of_nothing() -> None:
    names = ("circuit_id", "changed_on", "before_s", "after_s", "unchanged", "reason")
    assert past_table(pl.DataFrame(schema=dict.fromkeys(names, pl.String))).rows == []
