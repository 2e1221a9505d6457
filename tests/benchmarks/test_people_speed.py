"""How long the lists of a large fleet take: 1,000 homes over a year, with 10,000 cases and 20,000 acts.

Run with `pytest tests/benchmarks/test_people_speed.py --benchmark-enable`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from coilbook.analytics.people import Wanted, act
from coilbook.analytics.queries import acts, contactors, firmware, fleet, morning
from coilbook.ingest.store import Session, Store

NOW = datetime.fromisoformat("2026-07-01T13:00")
SITES, DAYS = 1000, 365

FILL = (
    """INSERT INTO site BY NAME SELECT printf('s%04d', i) AS site_id, 'Home ' || i AS name, 'area ' || i %
        9 AS area, 'America/Denver' AS timezone FROM range($sites::INTEGER) t(i)""",
    """INSERT INTO circuit BY NAME SELECT site_id || '-c' || k AS circuit_id, site_id, site_id || '-k' AS
        controller_id, ['pool_pump', 'spa', 'heat_pump'][k] AS appliance, '2-pole 40 A' AS contactor, 2 AS
        poles, 24.0 AS coil_v, 12.0 AS load_a FROM site, range(1, 4) t(k)""",
    """INSERT INTO coverage BY NAME SELECT site_id, d::DATE AS local_date, 86400.0 AS day_s, 86000.0 AS
        covered_s, d + INTERVAL 1 DAY AS last_ts FROM site, range(DATE '2026-07-01' - $days::INTEGER, DATE
        '2026-07-01', INTERVAL 1 DAY) t(d) ORDER BY ALL""",
    """INSERT INTO controller_day BY NAME SELECT site_id, site_id || '-k' AS controller_id, local_date, 20
        AS events, CASE WHEN local_date < DATE '2026-05-01' + (hash(site_id) % 20)::INTEGER THEN '2.1' ELSE
        '2.2' END AS firmware FROM coverage""",
    """INSERT INTO circuit_day BY NAME SELECT site_id, circuit_id, local_date, hash(circuit_id, local_date)
        % 9 AS starts, hash(local_date, circuit_id) % 2 AS short_runs, 3 AS max_starts_1h FROM coverage JOIN
        circuit USING (site_id)""",
    """INSERT INTO wear BY NAME SELECT site_id, circuit_id, local_date, 9000.0 AS ops, 0.5 AS used, 4.0 AS
        ops_per_day, local_date + (hash(circuit_id) % 2000)::INTEGER AS date_80, local_date + 3000 AS
        date_100 FROM circuit_day""",
    """INSERT INTO finding BY NAME SELECT 'short_cycling' AS rule, circuit_id AS subject, 'circuit' AS
        subject_kind, site_id, local_date, 'wear' AS severity, 'Started often.' AS sentence, '{}' AS
        evidence FROM circuit_day WHERE hash(circuit_id, local_date, 1) % 12 = 0""",
    """INSERT INTO service_case BY NAME SELECT rule || ':' || subject || ':' || local_date AS case_id,
        rule, subject, subject_kind, site_id, severity, local_date AS first_finding_on, local_date AS
        opened_on, local_date AS last_finding_on, 1 AS days, sentence, 10.0 AS cost_per_year, 'EUR' AS
        currency, CASE WHEN local_date > DATE '2026-06-22' THEN 'continuing' ELSE 'cleared' END AS state,
        CASE WHEN local_date <= DATE '2026-06-22' THEN local_date + 2 END AS cleared_on FROM finding WHERE
        hash(subject, local_date) % 9 = 0 OR local_date > DATE '2026-06-29'""",
    """INSERT INTO case_act BY NAME SELECT row_number() OVER (ORDER BY case_id, k) AS act_id, case_id,
        rule, subject, first_finding_on AS seen_on, ['assign', 'close'][k] AS kind, 'Robin' AS who,
        first_finding_on + INTERVAL 30 HOUR AS at, CASE k WHEN 1 THEN 'Sam' END AS to_person, CASE k WHEN 2
        THEN ['confirmed', 'not_found'][1 + (hash(case_id) % 2)::INTEGER] END AS outcome FROM service_case,
        range(1, 3) t(k) WHERE k = 1 OR state = 'cleared'""",
    "INSERT INTO review BY NAME SELECT 1 AS review_id, TIMESTAMP '2026-07-01 06:00' AS horizon",
)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Iterator[Store]:
    whole = not request.config.getoption("--benchmark-disable") or request.config.getoption(
        "--benchmark-enable"
    )
    values = {"sites": SITES if whole else 20, "days": DAYS if whole else 60}
    path: Path = tmp_path_factory.mktemp("large") / "fleet.duckdb"
    with Store.open(path) as store:
        for statement in FILL:
            wanted = {name: value for name, value in values.items() if f"${name}" in statement}
            with store.writing() as session:
                session.run(statement, wanted or None)
        store.checkpoint()
        yield store


QUERIES: dict[str, Callable[[Session], Any]] = {
    "morning": lambda s: morning.morning_list(s, now=NOW).cases,
    "a person's morning": lambda s: morning.morning_list(s, now=NOW, person="Sam").cases,
    "filter choices": lambda s: morning.facets(s, now=NOW),
    "people": acts.people,
    "cases by week": fleet.cases_by_week,
    "precision": fleet.measured_precision,
    "worst circuits": fleet.worst_circuits,
    "contactors": lambda s: contactors.contactor_plan(s).due,
    "firmware": firmware.firmware_cohorts,
}


@pytest.mark.parametrize("name", QUERIES)
def test_a_query(benchmark: Any, store: Store, name: str) -> None:
    with store.reading() as session:
        found = benchmark.pedantic(QUERIES[name], args=[session], rounds=7, warmup_rounds=1)
    assert len(found) > 0


def test_an_act(benchmark: Any, store: Store) -> None:
    with store.reading() as session:
        case_id, version = morning.morning(session, now=NOW).row(0, named=True)["case_id"], 0
        version = morning.one_case(session, case_id).row(0, named=True)["version"]

    def note() -> None:
        nonlocal version
        with store.noting() as session:
            version = act(session, case_id, Wanted("note", "Robin", version, text="seen"), NOW)

    benchmark.pedantic(note, rounds=20, warmup_rounds=1)
    assert version > 20 or benchmark.disabled
