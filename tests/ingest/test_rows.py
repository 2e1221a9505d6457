"""What becomes of one row: every reason code, and the values of good rows."""

# ruff: noqa: DTZ001 - naive UTC, as in the store

from __future__ import annotations

from datetime import date, datetime, time

import pytest
from coilbook.ingest.kinds import KIND
from coilbook.ingest.known import Known
from coilbook.ingest.rows import Context, judge
from coilbook.ingest.values import Bad

KNOWN = Known({"H1": "America/Denver"}, {"H1-a": "H1"}, {"K1": "H1"})
CONTEXT = Context(KNOWN, datetime(2026, 6, 1))
POWER = {"ts": "2026-03-01T12:00:00Z", "site_id": "H1", "pv_w": "1", "house_w": "2", "grid_w": "1"}
SWITCH = {"ts": "2026-03-01T12:00:00Z", "circuit_id": "H1-a", "state": "on", "cause": "clock", "seq": "7"}
SITE = {"site_id": "H9", "timezone": "Europe/Lisbon"}
CIRCUIT = {"circuit_id": "H1-z", "site_id": "H1", "appliance": "spa"}
WINDOW = {
    "circuit_id": "H1-a",
    "window_id": "w",
    "kind": "run",
    "days": "daily",
    "start": "10:00",
    "end": "11:00",
}
TARIFF = {"tariff_id": "T", "days": "daily", "start": "00:00", "end": "24:00", "import_per_kwh": "0.3"}
SERVICE = {"date": "2026-03-01", "circuit_id": "H1-a", "action": "inspected"}
GOOD = {
    "power": POWER,
    "switch": SWITCH,
    "sites": SITE,
    "circuits": CIRCUIT,
    "windows": WINDOW,
    "tariffs": TARIFF,
    "service": SERVICE,
}


@pytest.mark.parametrize("kind", GOOD)
def test_the_good_row_of_each_kind_is_taken(kind: str) -> None:
    row = judge(KIND[kind], GOOD[kind], CONTEXT)
    assert set(row.values) == set(KIND[kind].table.names()) - {"load_id"}


@pytest.mark.parametrize(
    ("kind", "column", "text", "reason"),
    [
        ("power", "ts", "2026-03-01", "bad_time"),
        ("power", "ts", "2026-02-30T12:00:00Z", "bad_time"),
        ("power", "ts", "2026-03-01T24:00:00Z", "bad_time"),
        ("power", "ts", "2026-03-01T12:00:60Z", "bad_time"),
        ("power", "ts", "2026-03-01T12:00:00+24:00", "bad_time"),
        ("power", "ts", "0000-03-01T12:00:00Z", "bad_time"),
        ("power", "ts", "2026-03-08T02:30:00", "bad_time"),  # skipped in Denver
        ("power", "ts", "1999-12-31T23:59:59Z", "time_out_of_range"),
        ("power", "ts", "2026-06-03T00:00:01Z", "time_out_of_range"),
        ("power", "ts", "", "missing_field"),
        ("power", "ts", None, "missing_field"),
        ("power", "pv_w", "", "missing_field"),
        ("power", "pv_w", "1,5", "bad_number"),
        ("power", "pv_w", "0x10", "bad_number"),
        ("power", "pv_w", "1_000", "bad_number"),
        ("power", "pv_w", "NaN", "out_of_range"),
        ("power", "pv_w", "-Infinity", "out_of_range"),
        ("power", "pv_w", "1e999", "out_of_range"),
        ("power", "house_w", "10000001", "out_of_range"),
        ("power", "islanded", "maybe", "bad_state"),
        ("power", "site_id", "H7", "unknown_site"),
        ("power", "site_id", "   ", "missing_field"),
        ("switch", "state", "ajar", "bad_state"),
        ("switch", "state", "", "missing_field"),
        ("switch", "seq", "7.5", "bad_number"),
        ("switch", "seq", "seven", "bad_number"),
        ("switch", "seq", "9223372036854775808", "out_of_range"),
        ("switch", "circuit_id", "H1-q", "unknown_circuit"),
        ("sites", "timezone", "Mars/Olympus", "out_of_range"),
        ("sites", "latitude", "91", "out_of_range"),
        ("circuits", "site_id", "H7", "unknown_site"),
        ("circuits", "appliance", "toaster", "out_of_range"),
        ("circuits", "fitted_on", "2026-13-01", "bad_time"),
        ("circuits", "poles", "two", "bad_number"),
        ("windows", "circuit_id", "H1-q", "unknown_circuit"),
        ("windows", "start", "25:00", "bad_time"),
        ("windows", "start", "24:00", "bad_time"),
        ("windows", "days", "Mon,Someday", "out_of_range"),
        ("windows", "kind", "rest", "out_of_range"),
        ("windows", "end", "", "missing_field"),
        ("tariffs", "import_per_kwh", "dear", "bad_number"),
        ("service", "date", "2028-01-01", "time_out_of_range"),
        ("service", "action", "looked_at", "out_of_range"),
    ],
)
def test_a_bad_cell_gives_its_reason(kind: str, column: str, text: str | None, reason: str) -> None:
    with pytest.raises(Bad) as caught:
        judge(KIND[kind], {**GOOD[kind], column: text}, CONTEXT)
    assert caught.value.reason == reason
    assert column.removesuffix("_id") in caught.value.detail


def test_one_of_house_and_grid_is_enough() -> None:
    for empty in ("house_w", "grid_w"):
        assert judge(KIND["power"], {**POWER, empty: None}, CONTEXT).values[empty] is None
    with pytest.raises(Bad, match="missing_field"):
        judge(KIND["power"], {**POWER, "house_w": None, "grid_w": ""}, CONTEXT)


def test_validity_must_not_end_before_it_begins() -> None:
    with pytest.raises(Bad, match="out_of_range"):
        judge(KIND["sites"], {**SITE, "valid_from": "2026-02-02", "valid_to": "2026-02-01"}, CONTEXT)


@pytest.mark.parametrize(
    ("text", "closed"),
    [
        ("on", True),
        ("1", True),
        ("TRUE", True),
        ("Closed", True),
        ("OFF", False),
        ("open", False),
        ("0", False),
    ],
)
def test_states(text: str, closed: bool) -> None:
    assert judge(KIND["switch"], {**SWITCH, "state": text}, CONTEXT).values["closed"] is closed


def test_causes() -> None:
    def cause(text: str | None) -> tuple[str | None, str | None]:
        values = judge(KIND["switch"], {**SWITCH, "cause": text}, CONTEXT).values
        return values["cause"], values["cause_raw"]

    assert cause("Surplus") == ("surplus", None)
    assert cause("") == (None, None)
    assert cause("frost guard") == ("unknown", "frost guard")
    assert cause("unknown") == ("unknown", "unknown")


def test_registry_values() -> None:
    window = judge(KIND["windows"], {**WINDOW, "days": "tue, Mon", "end": "24:00"}, CONTEXT).values
    assert (window["days"], window["end"]) == ("Mon,Tue", time(0))
    circuit = judge(
        KIND["circuits"], {**CIRCUIT, "shed_when_islanded": "1", "fitted_on": "2024-02-29"}, CONTEXT
    )
    assert (circuit.values["shed_when_islanded"], circuit.values["fitted_on"]) == (True, date(2024, 2, 29))


def test_a_status_row_finds_its_site_through_the_controller() -> None:
    row = {"ts": "2026-03-01T12:00:00Z", "controller_id": "K1", "firmware": "2.1", "uptime_s": "60"}
    assert judge(KIND["status"], row, CONTEXT).values["site_id"] == "H1"
    with pytest.raises(Bad, match="unknown_circuit"):
        judge(KIND["status"], {**row, "controller_id": "K9"}, CONTEXT)
