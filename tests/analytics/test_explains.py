"""One cause, one case: explained findings name their cause."""

from __future__ import annotations

from datetime import date

import polars as pl
from coilbook.analytics.explains import PAIRS, explain
from coilbook.analytics.rules.shape import table_schema

DAY = date(2026, 3, 14)
CIRCUITS = pl.DataFrame(
    {
        "circuit_id": ["c1", "c2"],
        "controller_id": ["k1", "k1"],
        "site_id": ["s1", "s1"],
        "local_date": [DAY, DAY],
    }
)


def explained(*rows: tuple[str, str]) -> dict[tuple[str, str], str | None]:
    frame = pl.DataFrame(
        [{"rule": rule, "subject": subject, "local_date": DAY} for rule, subject in rows],
        schema=table_schema("finding"),
    )
    done = explain(frame, CIRCUITS)
    assert done.columns == list(table_schema("finding"))
    return {
        (rule, subject): by
        for rule, subject, by in done.select("rule", "subject", "explained_by").iter_rows()
    }


def test_clouds_explain_the_short_cycling_of_the_same_circuit_only() -> None:
    found = explained(("cloud_starts", "c1"), ("short_cycling", "c1"), ("short_cycling", "c2"))
    assert found == {
        ("cloud_starts", "c1"): None,
        ("short_cycling", "c1"): "cloud_starts",
        ("short_cycling", "c2"): None,
    }


def test_a_clock_explains_the_late_windows_of_every_circuit_of_its_controller() -> None:
    found = explained(("clock_offset", "k1"), ("missed_window", "c1"), ("missed_window", "c2"))
    assert found[("missed_window", "c1")] == found[("missed_window", "c2")] == "clock_offset"


def test_of_two_causes_the_first_listed_is_named() -> None:
    found = explained(("cloud_starts", "c1"), ("chatter", "c1"), ("short_cycling", "c1"))
    assert found[("short_cycling", "c1")] == "chatter"


def test_a_registry_fault_explains_a_missed_window_only_where_it_bears_on_windows() -> None:
    rows = [{"rule": rule, "subject": "c1", "local_date": DAY} for rule in ("settings", "missed_window")]
    for kinds, by in (('["no_life_figures"]', None), ('["window_in_lockout"]', "settings")):
        rows[0]["evidence"] = f'{{"kinds":{kinds}}}'
        done = explain(pl.DataFrame(rows, schema=table_schema("finding")), CIRCUITS)
        assert done.filter(rule="missed_window")["explained_by"].item() == by


def test_a_logger_s_clock_explains_steps_that_were_not_seen_but_no_danger() -> None:
    rows = [("meter_doubt", "s1"), ("no_load_on_close", "c1"), ("stuck_closed", "c2"), ("not_shed", "c2")]
    made = [{"rule": rule, "subject": subject, "local_date": DAY} for rule, subject in rows]
    for faults, by in (('["balance"]', None), ('["balance","clock"]', "meter_doubt")):
        made[0]["evidence"] = f'{{"faults":{faults},"clock_moved_s":3600.0}}'
        done = explain(pl.DataFrame(made, schema=table_schema("finding")), CIRCUITS)
        assert dict(done.select("rule", "explained_by").iter_rows()) == {
            "meter_doubt": None,
            "no_load_on_close": by,
            "stuck_closed": None,
            "not_shed": None,
        }


def test_a_cause_found_before_explains_too() -> None:
    fast, cycling = (
        pl.DataFrame([{"rule": rule, "subject": "c1", "local_date": DAY}], schema=table_schema("finding"))
        for rule in ("wearing_fast", "short_cycling")
    )
    assert explain(fast, CIRCUITS, cycling)["explained_by"].to_list() == ["short_cycling"]


def test_no_pair_runs_both_ways() -> None:
    pairs = {(pair.cause, pair.effect) for pair in PAIRS}
    assert not pairs & {(effect, cause) for cause, effect in pairs}
