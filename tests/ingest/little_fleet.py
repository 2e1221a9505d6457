"""Two invented sites and the few helpers that the tests of `coilbook.ingest` share."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from coilbook.ingest.ledger import LedgerRow
from coilbook.ingest.load import load_paths
from coilbook.ingest.schema import LOGS, REGISTRY
from coilbook.ingest.store import Store

NOW = datetime(2026, 12, 1)  # noqa: DTZ001 - naive UTC
SITES = """site_id,name,area,timezone,latitude,longitude,pv_kw,battery_kwh,tariff_id
H1,Hazel,N,America/Denver,39.7,-105.0,10,,T1
H2,Holly,S,Australia/Lord_Howe,-31.5,159.1,5,10,T1
"""
CIRCUITS = """circuit_id,site_id,controller_id,appliance,rated_w,shed_when_islanded,valid_from
H1-a,H1,K1,pool_pump,1500,1,
H1-b,H1,K1,water_heater,3600,1,
H2-a,H2,K2,spa,2000,0,
"""
WINDOWS = """circuit_id,window_id,kind,days,start,end,need_minutes
H1-a,w1,run,"Mon,Tue",10:00,14:00,
H1-b,w2,lockout,daily,17:00,24:00,
"""
TARIFFS = """tariff_id,days,start,end,import_per_kwh,export_per_kwh,currency
T1,daily,00:00,24:00,0.3,0.05,EUR
"""
POWER = "ts,site_id,pv_w,house_w,grid_w\n"
SWITCH = "ts,circuit_id,state,cause,seq\n"


def put(path: Path, content: str | bytes) -> Path:
    """Write a file and return its path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def registry(folder: Path) -> Path:
    """The four registry files in a folder of their own."""
    for name, text in (("sites", SITES), ("circuits", CIRCUITS), ("windows", WINDOWS), ("tariffs", TARIFFS)):
        put(folder / "registry" / f"{name}.csv", text)
    return folder / "registry"


def load(store: Store, *paths: Path, **options: Any) -> list[LedgerRow]:
    """Load at a fixed moment."""
    return load_paths(store, list(paths), now=options.pop("now", NOW), **options)


def one(store: Store, path: Path, **options: Any) -> LedgerRow:
    """Load one file and return its one ledger row."""
    rows = load(store, path, **options)
    assert len(rows) == 1
    return rows[0]


def query(store: Store, sql: str) -> list[tuple[Any, ...]]:
    """All rows of a query."""
    with store.reading() as session:
        return session.rows(sql)


def held(store: Store) -> list[tuple[int, str]]:
    """Line and reason of every held row."""
    return query(store, "SELECT line, reason FROM quarantine WHERE state = 'held' ORDER BY load_id, line")


def content(store: Store, *, quarantine: bool = True) -> dict[str, list[tuple[Any, ...]]]:
    """Everything that loads put into the store, without the numbers of loads."""
    found = {}
    for table in (*LOGS, *REGISTRY):
        names = ", ".join(f'"{name}"' for name in table.names() if name != "load_id")
        found[table.name] = query(store, f'SELECT {names} FROM "{table.name}" ORDER BY ALL')  # noqa: S608 - names of schema.py
    found["dirty_day"] = query(store, "SELECT * FROM dirty_day ORDER BY ALL")
    if quarantine:
        found["quarantine"] = query(
            store, "SELECT path, line, kind, reason, subject, raw, fields, state FROM quarantine ORDER BY ALL"
        )
    return found


def balanced(row: LedgerRow) -> bool:
    """Whether no row was lost."""
    return row.rows_read == row.accepted + row.duplicate + row.replaced + row.quarantined
