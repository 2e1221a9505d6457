"""The read queries on a store worked out by hand (`tests/small_store.py`)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from coilbook.analytics.queries import findings, header, loads, morning, settings, site
from coilbook.ingest.store import Session, Store
from small_store import LAST, MORNING, REVIEWED, day, fill


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with Store.open(tmp_path_factory.mktemp("small") / "store.duckdb") as store:
        fill(store)
        yield store


@pytest.fixture
def session(store: Store) -> Iterator[Session]:
    with store.reading() as session:
        yield session


@pytest.fixture
def empty_store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "empty.duckdb") as store:
        yield store


@pytest.fixture
def empty(empty_store: Store) -> Iterator[Session]:
    with empty_store.reading() as session:
        yield session


# header


def test_the_header_counts_cases_and_sites(session: Session) -> None:
    seen = header.header(session)
    assert (seen.review_id, seen.reviewed_at) == (3, REVIEWED)
    assert (seen.new, seen.continuing, seen.back, seen.open_cases) == (3, 5, 1, 9)
    assert seen.cleared == 1  # the other one cleared more than 7 days before


def test_a_site_is_judged_if_it_has_a_last_whole_day_that_is_not_silent(session: Session) -> None:
    seen = header.header(session)
    assert (seen.sites, seen.sites_judged) == (3, 1)  # ridge is silent, mill has no log


def test_not_judged_counts_the_last_whole_day_only(session: Session) -> None:
    told = header.header(session).not_judged
    assert sorted(told.drop("rules").rows()) == [("life_figures", 1, 1), ("silent", 1, 1)]
    by_rule = dict(told.select("reason", "rules").iter_rows())
    assert by_rule["life_figures"] == [{"rule": "contactor_wear", "sites": 1, "subjects": 1}]
    assert by_rule["silent"] == [{"rule": "chatter", "sites": 1, "subjects": 1}]


def test_the_feed_ages_by_the_clock_that_is_passed(session: Session) -> None:
    seen = header.header(session)
    assert seen.feed_age_h(datetime(2026, 3, 11, 20, 30)) == pytest.approx(12.5)  # noqa: DTZ001


def test_before_the_first_review_there_is_no_header(empty: Session) -> None:
    seen = header.header(empty)
    assert (seen.review_id, seen.horizon, seen.sites, seen.open_cases) == (0, None, 0, 0)
    assert seen.feed_age_h(REVIEWED) is None
    assert header.review_id(empty) == 0


# morning


def test_the_morning_is_ranked(session: Session) -> None:
    assert morning.morning(session)["rule"].to_list() == MORNING


@pytest.mark.parametrize(
    ("choice", "rules"),
    [
        ({"severity": "danger"}, ["not_shed", "chatter"]),
        ({"area": "South"}, ["no_load_on_close", "settings", "silent"]),
        ({"rule": "silent"}, ["silent"]),
        ({"state": "back"}, ["held_by_hand"]),
        ({"site_id": "ridge", "severity": "service"}, ["no_load_on_close", "settings"]),
        ({"area": "Nowhere"}, []),
        ({"state": "cleared"}, ["cloud_starts"]),
        ({"rule": "x' OR 1=1 --"}, []),
    ],
)
def test_choices_narrow_the_morning(session: Session, choice: dict[str, str], rules: list[str]) -> None:
    assert morning.morning(session, **choice)["rule"].to_list() == rules  # type: ignore[arg-type]


def test_cleared_cases_come_last_and_for_seven_days(session: Session) -> None:
    assert morning.morning(session, include_cleared=True)["rule"].to_list() == [*MORNING, "cloud_starts"]


def test_a_strip_tells_each_of_14_local_days(session: Session) -> None:
    cases = morning.morning(session)
    strips = dict(cases.select("rule", "strip").iter_rows())
    # Days 25 Feb to 10 March; logs begin on 1 March; findings on 3, 9, 10; 5 March was not judged.
    assert "".join(strips["short_cycling"]) == "----ccfcncccff"
    assert "".join(strips["settings"]) == "----cccccccc--"  # ridge has no day after the 8th
    assert cases["last_day"].unique().to_list() == [LAST]


def test_a_day_that_another_case_explains_is_no_finding_of_the_strip(empty_store: Store) -> None:
    fill(empty_store)
    with empty_store.writing() as writing:
        writing.run(
            "UPDATE finding SET explained_by = 'chatter' WHERE rule = 'short_cycling' AND local_date = ?",
            [day(9)],
        )
    with empty_store.reading() as session:
        (strip,) = morning.morning(session, rule="short_cycling")["strip"].to_list()
    assert "".join(strip) == "----ccfcncccef"


def test_a_case_is_named_by_the_newest_registry_row(session: Session) -> None:
    case = morning.morning(session, rule="short_cycling").row(0, named=True)
    assert (case["site_name"], case["area"], case["appliance"]) == ("Fen <House>", "North", "pool_pump")
    assert case["days_standing"] == 9  # 2 to 10 March, both counted


def test_a_finding_of_the_day_begun_is_on_the_strip(empty_store: Store) -> None:
    fill(empty_store)
    with empty_store.writing() as writing:
        writing.run("UPDATE service_case SET last_finding_on = ? WHERE rule = 'chatter'", [day(11)])
    with empty_store.reading() as session:
        case = morning.morning(session, rule="chatter").row(0, named=True)
    assert (case["last_day"], case["days_standing"]) == (day(11), 10)


def test_a_case_of_a_site_has_no_circuit(session: Session) -> None:
    case = morning.morning(session, rule="silent").row(0, named=True)
    assert (case["circuit_id"], case["appliance"]) == (None, None)


def test_an_empty_store_has_an_empty_morning_of_the_same_columns(empty: Session, session: Session) -> None:
    assert morning.morning(empty).schema == morning.morning(session).schema
    assert morning.facets(empty).is_empty()


# findings


def test_findings_come_newest_first_within_both_dates(session: Session) -> None:
    found = findings.findings(session, first=day(3), last=day(9))
    assert found.select("local_date", "rule").rows() == [(day(9), "short_cycling"), (day(3), "short_cycling")]
    assert findings.findings(session).height == 4


def test_findings_of_one_day_go_by_severity(session: Session) -> None:
    assert findings.findings(session, first=LAST)["rule"].to_list() == ["cloud_starts", "short_cycling"]


def test_findings_can_be_paged(session: Session) -> None:
    whole = findings.findings(session)
    parts = [findings.findings(session, limit=3, offset=n) for n in (0, 3)]
    assert pl.concat(parts).equals(whole)


# one site


def test_an_unknown_site_has_no_card(session: Session) -> None:
    assert site.site_card(session, "nowhere") is None


def test_the_card_is_the_newest_row_with_the_days_of_the_logs(session: Session) -> None:
    card = site.site_card(session, "fen")
    assert card is not None
    assert (card.name, card.timezone, card.first_day, card.last_day) == (
        "Fen <House>",
        "America/Denver",
        day(1),
        LAST,
    )
    mill = site.site_card(session, "mill")
    assert mill is not None
    assert mill.last_day is None


def test_circuits_show_the_settings_in_force_and_their_newest_wear(session: Session) -> None:
    rows = site.circuits(session, "fen").select("circuit_id", "min_run_s", "ops").rows()
    assert rows == [("fen-a", 1800.0, 70010.0), ("fen-b", None, 12.0)]


def test_a_run_is_held_against_the_setting_of_its_day(session: Session) -> None:
    runs = site.run_lengths(session, "fen", day(1), LAST).filter(circuit_id="fen-a")
    assert runs["min_run_s"].to_list() == [900.0, 1800.0, 1800.0, 1800.0, 1800.0]
    assert runs.height == 5


def test_lockouts_are_kept_broken_or_broken_by_hand(session: Session) -> None:
    record = site.windows_record(session, "fen", day(8), LAST)
    told = {kind: part["verdict"].to_list() for (kind,), part in record.group_by("kind")}
    assert told == {"run": ["met", "missed", "short"], "lockout": ["kept", "ran", "hand"]}


def test_starts_carry_the_share_of_the_day_in_the_log(session: Session) -> None:
    starts = site.starts_per_day(session, "fen", day(7), day(9))
    assert starts["starts"].to_list() == [0, 0, 1]
    assert starts["covered"].to_list() == pytest.approx([0.5, 43200 / 82800, 0.5])  # 8 March has 23 hours


def test_past_cases_are_those_that_ended(session: Session) -> None:
    assert site.past_cases(session, "fen")["rule"].to_list() == [
        "wearing_fast",
        "cloud_starts",
        "missed_surplus",
    ]


def test_wear_and_service_log(session: Session) -> None:
    assert site.wear(session, "fen", day(9), LAST)["circuit_id"].to_list() == ["fen-a", "fen-a", "fen-b"]
    assert site.service_log(session, "fen").rows() == [("fen-a", day(1), "inspected", "dry")]


def test_settings_are_told_as_changes(session: Session) -> None:
    changes = settings.settings_history(session, "fen")
    assert changes.rows() == [
        ("fen-a", day(5), "min_run_s", "900", "1800"),
        ("fen-a", day(5), "shed_when_islanded", None, "true"),
    ]
    assert settings.settings_history(session, "ridge").is_empty()
    assert settings.schedule(session, "fen")["need_minutes"].to_list() == [90.0]


# loads


def test_the_ledger_and_its_sums(session: Session) -> None:
    assert loads.ledger(session)["load_id"].to_list() == [2, 1]
    assert loads.ledger(session, outcome="failed")["error"].to_list() == ["gzip ends early"]
    totals = loads.totals(session).row(0, named=True)
    assert (totals["files"], totals["failed"], totals["rows_read"], totals["quarantined"]) == (2, 1, 12, 2)


def test_what_is_held_back(session: Session) -> None:
    assert loads.quarantine(session)["quarantine_id"].to_list() == [2, 1]
    assert loads.quarantine(session, state=None).height == 3
    assert loads.quarantine(session, reason="bad_state")["raw"].to_list() == ["<b>x</b>"]
    assert loads.held_by_reason(session).select("reason", "rows").rows() == [
        ("bad_state", 1),
        ("bad_time", 1),
    ]


def test_a_year_of_a_site_without_logs_is_empty(session: Session) -> None:
    first, last = date(2025, 3, 1), date(2025, 3, 1) + timedelta(days=365)
    for rows in (site.windows_record, site.starts_per_day, site.run_lengths, site.wear):
        assert rows(session, "mill", first, last).is_empty()
