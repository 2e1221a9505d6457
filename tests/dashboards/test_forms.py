"""Forms of charts: slots filled in, nothing forgotten, the same chart as altair makes with rows at once."""

from __future__ import annotations

import json

import altair as alt
import polars as pl
import pytest
from coilbook.api.site_charts import drawn_timeline
from coilbook.dashboards.charts.forms import filled, rows, rows_of, slot, stacked
from coilbook.dashboards.charts.look import checked, spec
from coilbook.ingest.store import Session
from small_store import at
from test_charts import RECORDS, seen, told

SHOWN = pl.DataFrame({"x": [1, 2], "y": [3.5, None]})


def chart(data: alt.NamedData | pl.DataFrame, title: str, most: float | str) -> alt.Chart:
    y = alt.Y("y:Q", scale=alt.Scale(domain=[0, most]))
    made: alt.Chart = alt.Chart(data, title=title).mark_bar().encode(x="x:Q", y=y)
    return made


def test_a_form_filled_in_is_the_chart_drawn_at_once() -> None:
    made = filled(
        checked(chart(rows_of("bars"), slot("title"), slot("most"))), title="t", most=7, bars=rows(SHOWN)
    )
    at_once = checked(chart(SHOWN, "t", 7))
    (bars,) = at_once.pop("datasets").values()
    assert made == {**at_once, "data": {"values": bars}}
    assert made["data"]["values"] == [{"x": 1, "y": 3.5}, {"x": 2, "y": None}]


def test_a_form_stays_as_it_is_when_it_is_filled_in() -> None:
    kept = checked(chart(rows_of("bars"), slot("title"), 7))
    before = json.dumps(kept)
    filled(kept, title="t", bars=rows(SHOWN))["encoding"]["x"]["field"] = "z"
    assert json.dumps(kept) == before


def test_values_without_a_slot_are_a_mistake() -> None:
    with pytest.raises(KeyError, match="colour"):
        filled(checked(chart(rows_of("bars"), "t", 7)), bars=[], colour="red")


def test_altair_checks_a_form() -> None:
    with pytest.raises(alt.utils.schemapi.SchemaValidationError):
        checked(alt.Chart(rows_of("bars")).mark_bar().encode(x=alt.X("x:Q", axis={"tickCount": "many"})))


def test_panels_stand_in_one_spec() -> None:
    panel = filled(checked(chart(rows_of("bars"), "t", 7)), bars=[])
    beside = stacked([panel, panel], concat="concat", columns=2)
    assert list(beside) == ["$schema", "concat", "columns"]
    assert all("$schema" not in each for each in beside["concat"])


@pytest.mark.parametrize("name", ["timeline", *RECORDS])
def test_no_slot_of_a_chart_is_left_open(session: Session, name: str) -> None:
    if name == "timeline":
        made = spec(drawn_timeline(seen(session), [at("2026-03-10T13:00")]).draw(), name=name)
    else:
        made = told(session, name)
    text = json.dumps(made, ensure_ascii=False)
    assert slot("")[0] not in text
