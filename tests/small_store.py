"""A store small enough to work out by hand: three sites in early March 2026, over a clock change.

`fen` (Denver) has two circuits and ten days, `ridge` (Kathmandu) one circuit and nothing after 8 March,
`mill` (Denver) no log at all. The newest instant of any log is 11 March 08:00 UTC: 02:00 in Denver, 13:45 in
Kathmandu; the last whole day is the 10th at each.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from typing import Any

import polars as pl
from coilbook.ingest.schema import BY_NAME
from coilbook.ingest.store import Store

HORIZON = datetime.fromisoformat("2026-03-11T08:00")
REVIEWED = datetime.fromisoformat("2026-03-11T09:00")
LAST = date(2026, 3, 10)
TYPES = {
    "VARCHAR": pl.String,
    "BIGINT": pl.Int64,
    "DOUBLE": pl.Float64,
    "BOOLEAN": pl.Boolean,
    "TIMESTAMP": pl.Datetime("us"),
    "DATE": pl.Date,
    "TIME": pl.Time,
}


def day(number: int) -> date:
    """The day of March 2026."""
    return date(2026, 3, number)


def at(text: str) -> datetime:
    """A naive UTC instant."""
    return datetime.fromisoformat(text)


def put(store: Store, table: str, rows: Iterable[dict[str, Any]]) -> None:
    """Rows into a table; columns that a row does not name stay empty."""
    schema = {c.name: TYPES[c.type] for c in BY_NAME[table].columns}
    filled = [{name: row.get(name) for name in schema} for row in rows]
    with store.writing() as session:
        session.put(table, pl.DataFrame(filled, schema=schema))


def fill(store: Store) -> None:
    """Everything below."""
    _registry(store)
    _logs(store)
    _facts(store)
    _verdicts(store)
    put(store, "review", [{"review_id": 3, "horizon": HORIZON, "reviewed_at": REVIEWED, "duration_s": 1.0}])


def _registry(store: Store) -> None:
    denver = {"timezone": "America/Denver", "latitude": 39.7, "longitude": -105.0, "pv_kw": 8.0}
    put(
        store,
        "site",
        [
            {"site_id": "fen", "name": "Old name", "area": "North", **denver, "valid_to": day(1)},
            {"site_id": "fen", "name": "Fen <House>", "area": "North", **denver, "valid_from": day(2)},
            {"site_id": "ridge", "name": "Ridge", "area": "South", "timezone": "Asia/Kathmandu"},
            {"site_id": "mill", "name": "Mill", "area": "South", **denver},
        ],
    )
    pump = {
        "circuit_id": "fen-a",
        "site_id": "fen",
        "controller_id": "fen-k",
        "appliance": "pool_pump",
        "rated_w": 1000.0,
        "contactor": "2-pole 40 A",
        "poles": 2,
        "coil_v": 24.0,
        "surplus_on_w": 1200.0,
    }
    put(
        store,
        "circuit",
        [
            {**pump, "min_run_s": 900.0, "valid_to": day(4)},
            {**pump, "min_run_s": 1800.0, "shed_when_islanded": True, "valid_from": day(5)},
            {"circuit_id": "fen-b", "site_id": "fen", "appliance": "water_heater", "rated_w": 3000.0},
            {"circuit_id": "ridge-a", "site_id": "ridge", "appliance": "well_pump", "rated_w": 1100.0},
        ],
    )
    put(
        store,
        "schedule",
        [
            {"circuit_id": "fen-a", "window_id": "r1", "kind": "run", "days": "daily"}
            | {"start": time(22, 30), "end": time(1, 30), "need_minutes": 90.0}
        ],
    )
    put(
        store,
        "service_log",
        [{"site_id": "fen", "circuit_id": "fen-a", "date": day(1), "action": "inspected", "note": "dry"}],
    )


def _logs(store: Store) -> None:
    """Power of `fen` on 10 March UTC: a sample every 5 min from 18:00 to 20:00, none from 18:30 to 19:00."""
    samples = []
    for k in range(24):
        ts = at("2026-03-10T18:00") + timedelta(minutes=5 * k)
        if at("2026-03-10T18:30") <= ts < at("2026-03-10T19:00"):
            continue
        pv = 9000.0 if ts == at("2026-03-10T19:30") else 4000.0
        samples.append(
            {
                "site_id": "fen",
                "ts": ts,
                "pv_w": pv,
                "house_w": 1500.0,
                "islanded": ts >= at("2026-03-10T19:45"),
            }
        )
    put(store, "power_log", samples)
    # From 19:30 on the water heater has a meter that shows 400 W, whatever it is rated.
    put(
        store,
        "circuit_power_log",
        [
            {"site_id": "fen", "circuit_id": "fen-b", "ts": s["ts"], "circuit_w": 400.0}
            for s in samples
            if s["ts"] >= at("2026-03-10T19:30")
        ],
    )
    put(
        store,
        "ledger",
        [
            {"load_id": 1, "path": "logs/switch.csv", "kind": "switch", "outcome": "loaded", "rows_read": 12}
            | {"accepted": 9, "duplicate": 1, "replaced": 0, "quarantined": 2, "released": 0}
            | {"loaded_at": at("2026-03-11T08:30"), "duration_s": 0.25, "extra_columns": "phase"},
            {"load_id": 2, "path": "logs/power.csv.gz", "kind": "power", "outcome": "failed", "rows_read": 0}
            | {"accepted": 0, "duplicate": 0, "replaced": 0, "quarantined": 0, "released": 0}
            | {"loaded_at": at("2026-03-11T08:40"), "error": "gzip ends early"},
        ],
    )
    held = {"load_id": 1, "path": "logs/switch.csv", "kind": "switch", "state": "held", "fields": "{}"}
    put(
        store,
        "quarantine",
        [
            held
            | {"quarantine_id": 1, "line": 3, "reason": "bad_state", "detail": "maybe", "raw": "<b>x</b>"},
            held
            | {"quarantine_id": 2, "line": 9, "reason": "bad_time", "detail": "noon", "raw": "noon,fen-a"},
            held | {"quarantine_id": 3, "line": 9, "reason": "bad_time", "state": "released", "raw": "y"},
        ],
    )


def _facts(store: Store) -> None:
    coverage = [("fen", day(n)) for n in range(1, 11)] + [("ridge", day(n)) for n in range(1, 9)]
    put(
        store,
        "coverage",
        [
            {"site_id": site, "local_date": d, "day_s": 82800.0 if d == day(8) else 86400.0}
            | {"covered_s": 43200.0, "interval_s": 300.0, "last_ts": datetime.combine(d, time(23))}
            for site, d in coverage
        ],
    )
    run = {"site_id": "fen", "circuit_id": "fen-a", "cause_on": "surplus", "cause_off": "surplus"}
    runs = [
        ("2026-03-03T18:00", "2026-03-03T18:10", 3, "surplus"),  # under the 15 min of that day
        ("2026-03-09T18:00", "2026-03-09T18:20", 9, "surplus"),  # under the 30 min of that day
        ("2026-03-10T19:10", "2026-03-10T19:20", 10, "surplus"),
        ("2026-03-10T19:22", "2026-03-10T19:40", 10, "surplus"),
        ("2026-03-10T19:41", "2026-03-10T19:50", 10, "hand"),
    ]
    put(
        store,
        "run",
        [
            run
            | {"start": at(a), "end": at(b), "duration_s": (at(b) - at(a)).total_seconds()}
            | {"local_date": day(n), "cause_on": cause}
            for a, b, n, cause in runs
        ]
        + [
            {"site_id": "fen", "circuit_id": "fen-b", "start": at("2026-03-10T19:00"), "cause_on": "clock"}
            | {"local_date": day(10), "duration_s": 46800.0}
        ],
    )
    starts = {3: 1, 9: 1, 10: 3}
    put(
        store,
        "circuit_day",
        [
            {"site_id": "fen", "circuit_id": "fen-a", "local_date": day(n), "starts": starts.get(n, 0)}
            | {"max_starts_1h": starts.get(n, 0), "short_runs": 1 if n in (3, 9) else 0, "on_s": 600.0}
            for n in range(1, 11)
        ],
    )
    result = {
        "site_id": "fen",
        "circuit_id": "fen-a",
        "window_id": "r1",
        "need_s": 5400.0,
        "covered_s": 10800.0,
    }
    put(
        store,
        "window_result",
        [
            result
            | {"local_date": day(n), "start_ts": datetime.combine(day(n + 1), time(4, 30)), "on_s": on_s}
            | {"end_ts": datetime.combine(day(n + 1), time(7, 30)), "verdict": verdict}
            for n, on_s, verdict in ((8, 5400.0, "met"), (9, 0.0, "missed"), (10, 3600.0, "short"))
        ],
    )
    put(
        store,
        "lockout_result",
        [
            {"site_id": "fen", "circuit_id": "fen-a", "window_id": "k1", "local_date": day(n), "on_s": on_s}
            | {
                "start_ts": datetime.combine(day(n), time(23)),
                "end_ts": datetime.combine(day(n + 1), time(3)),
            }
            | {"hand_s": hand_s}
            for n, on_s, hand_s in ((8, 0.0, 0.0), (9, 300.0, 0.0), (10, 0.0, 60.0))
        ],
    )
    put(
        store,
        "surplus_start",
        [
            {"site_id": "fen", "circuit_id": "fen-a", "local_date": day(10), "start": at("2026-03-10T19:10")}
            | {"dip_ts": at("2026-03-10T19:15"), "dip_end_ts": at("2026-03-10T19:20"), "why": "cloud"}
        ],
    )
    put(
        store,
        "wear",
        [
            {
                "site_id": "fen",
                "circuit_id": "fen-a",
                "local_date": day(n),
                "ops": 70000.0 + n,
                "used": 0.7 + n / 1000,
            }
            | {"ops_per_day": 1.0, "date_80": date(2026, 12, 1), "date_80_early": date(2026, 10, 1)}
            | {"date_80_late": date(2027, 3, 1), "date_100": date(2028, 8, 1)}
            | {"date_100_early": date(2028, 1, 1), "date_100_late": date(2029, 6, 1)}
            for n in range(1, 11)
        ]
        + [{"site_id": "fen", "circuit_id": "fen-b", "local_date": day(10), "ops": 12.0, "ops_per_day": 0.5}],
    )


def _verdicts(store: Store) -> None:
    put(store, "service_case", [_case(*told) for told in CASES])
    finding = {"subject_kind": "circuit", "site_id": "fen", "severity": "wear", "count": 3, "measure": 3.0}
    put(
        store,
        "finding",
        [
            finding
            | {
                "rule": "short_cycling",
                "subject": "fen-a",
                "local_date": day(n),
                "limit": 3.0,
                "unit": "runs",
            }
            | {"sentence": f"Started 9 times on {n} March.", "confidence": 0.8, "evidence": "{}"}
            for n in (3, 9, 10)
        ]
        + [
            finding
            | {"rule": "cloud_starts", "subject": "fen-a", "local_date": day(10), "severity": "cost"}
            | {"sentence": "3 of 4 starts lost the sun to a cloud.", "explained_by": "short_cycling"}
        ],
    )
    put(
        store,
        "not_judged",
        [
            {"rule": "short_cycling", "subject": "fen-a", "subject_kind": "circuit", "site_id": "fen"}
            | {"local_date": day(5), "reason": "coverage"},
            {"rule": "contactor_wear", "subject": "fen-b", "subject_kind": "circuit", "site_id": "fen"}
            | {"local_date": LAST, "reason": "life_figures"},
            {"rule": "chatter", "subject": "ridge-a", "subject_kind": "circuit", "site_id": "ridge"}
            | {"local_date": LAST, "reason": "silent"},
        ],
    )


# rule, subject, site, severity, state, first finding, cost, confidence, cleared on; in the morning's order
CASES = (
    ("not_shed", "fen-b", "fen", "danger", "new", 10, None, 0.9, None),
    ("chatter", "fen-a", "fen", "danger", "continuing", 2, None, 0.9, None),
    ("missed_window", "fen-a", "fen", "service", "new", 9, 5.0, 0.9, None),
    ("held_by_hand", "fen-b", "fen", "service", "back", 4, 80.0, 0.4, None),
    ("no_load_on_close", "ridge-a", "ridge", "service", "continuing", 3, 80.0, 0.3, None),
    ("stuck_closed", "fen-a", "fen", "service", "continuing", 2, 10.0, 0.9, None),
    ("settings", "ridge-a", "ridge", "service", "continuing", 2, None, 0.9, None),
    ("short_cycling", "fen-a", "fen", "wear", "continuing", 2, 7.0, 0.8, None),
    ("silent", "ridge", "ridge", "data", "new", 9, None, 1.0, None),
    ("cloud_starts", "fen-a", "fen", "cost", "cleared", 2, 3.0, 0.7, day(8)),
    ("missed_surplus", "fen-a", "fen", "cost", "cleared", 1, 3.0, 0.7, day(3)),  # too long ago to be news
    ("wearing_fast", "fen-a", "fen", "wear", "withdrawn", 1, None, 0.7, None),
)
MORNING = [told[0] for told in CASES[:9]]


def _case(
    rule: str,
    subject: str,
    site: str,
    severity: str,
    state: str,
    first: int,
    cost: float | None,
    confidence: float,
    cleared: date | None,
) -> dict[str, Any]:
    return {
        "case_id": f"{rule}:{subject}:{day(first)}",
        "rule": rule,
        "subject": subject,
        "subject_kind": "site" if subject == site else "circuit",
        "site_id": site,
        "severity": severity,
        "state": state,
        "first_finding_on": day(first),
        "opened_on": day(first),
        "last_finding_on": LAST if cleared is None else cleared - timedelta(days=2),
        "cleared_on": cleared,
        "days": 3,
        "cost_per_year": cost,
        "currency": "EUR",
        "confidence": confidence,
        "sentence": f"What {rule} found & measured.",
        "next_step": f"What to do about {rule}.",
    }
