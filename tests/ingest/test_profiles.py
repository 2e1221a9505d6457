"""Source profiles: two makers' logs without code, and what a wrong profile is told."""

# ruff: noqa: DTZ001 - naive UTC, as in the store

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import coilbook.fixtures
import pytest
from coilbook.ingest.errors import ProfileError
from coilbook.ingest.profiles import read_profile
from coilbook.ingest.store import Store
from little_fleet import load, one, put, query

FOLDER = Path(coilbook.fixtures.__file__).parent / "profiles"
SITES = "site_id,timezone\nAD001,America/Denver\nAD002,America/Denver\n"
CIRCUITS = "circuit_id,site_id,appliance\n" + "".join(
    f"AD00{site}-c{circuit},AD00{site},spa\n" for site in (1, 2) for circuit in (1, 2)
)


@pytest.fixture
def dale(store: Store, tmp_path: Path) -> Store:
    load(store, put(tmp_path / "sites.csv", SITES), put(tmp_path / "circuits.csv", CIRCUITS))
    return store


def test_local_times_commas_kilowatts_and_a_sign(dale: Store) -> None:
    profile = read_profile(FOLDER / "tarnwell.toml")
    power, switch = load(dale, *sorted(FOLDER.glob("tarnwell-*.csv")), profile=profile)
    assert (power.kind, power.profile, power.accepted, power.quarantined) == ("power", "tarnwell", 4, 1)
    assert (switch.kind, switch.accepted, switch.quarantined, switch.unknown_causes) == ("switch", 6, 1, 1)
    assert switch.extra_columns == "Temp"
    assert query(dale, "SELECT ts, pv_w, house_w, grid_w, islanded FROM power_log ORDER BY ts LIMIT 2") == [
        (datetime(2026, 2, 28, 17), 4182.0, 1960.0, -2222.0, False),
        (datetime(2026, 2, 28, 17, 5), 4200.0, 3460.0, -740.0, False),
    ]
    assert query(dale, "SELECT ts, closed, cause, cause_raw, seq FROM switch_log ORDER BY seq LIMIT 1") == [
        (datetime(2026, 2, 28, 17, 4, 12), True, "surplus", None, 31)
    ]
    assert query(dale, "SELECT kind, line, reason FROM quarantine ORDER BY ALL") == [
        ("power", 6, "bad_number"),
        ("switch", 10, "unknown_circuit"),
    ]


def test_milliseconds_since_1970_and_a_constant(dale: Store) -> None:
    profile = read_profile(FOLDER / "ostrey.toml")
    rows = load(dale, *sorted(FOLDER.glob("ostrey-*.csv")), profile=profile)
    assert [(row.accepted, row.quarantined) for row in rows] == [(3, 0), (4, 0)]
    assert query(dale, "SELECT site_id, battery_w FROM power_log ORDER BY ts") == [
        ("AD002", 0.0),
        ("AD002", -740.0),
        ("AD002", 2510.0),
    ]
    assert query(dale, "SELECT ts, cause, cause_raw FROM switch_log ORDER BY ts LIMIT 2 OFFSET 1") == [
        (datetime(2026, 2, 28, 18, 51, 40, 250_000), "surplus", None),
        (datetime(2026, 3, 1, 6, 30), "clock", None),
    ]


def test_the_contracts_own_files_load_beside_a_makers(dale: Store, tmp_path: Path) -> None:
    row = one(
        dale,
        put(tmp_path / "s.csv", "ts,circuit_id,state\n2026-03-01T12:00:00Z,AD001-c1,on\n"),
        profile=read_profile(FOLDER / "tarnwell.toml"),
    )
    assert (row.accepted, row.profile) == (1, None)


def test_rows_held_for_a_makers_circuit_keep_its_zone(dale: Store, tmp_path: Path) -> None:
    load(dale, FOLDER / "tarnwell-switch.csv", profile=read_profile(FOLDER / "tarnwell.toml"))
    put(tmp_path / "new.csv", "circuit_id,site_id,appliance\nTW-2201-c9,AD001,spa\n")
    load(dale, tmp_path / "new.csv")
    assert query(dale, "SELECT ts, cause FROM switch_log WHERE circuit_id = 'TW-2201-c9'") == [
        (datetime(2026, 3, 1, 14, 40, 2), None)
    ]


@pytest.mark.parametrize(
    ("form", "text", "expected"),
    [
        ("epoch_s", "1772301852", datetime(2026, 2, 28, 18, 4, 12)),
        ("epoch_s", "1772301852.25", datetime(2026, 2, 28, 18, 4, 12, 250_000)),
        ("%m/%d/%Y %I:%M:%S %p", "3/1/2026 1:04:05 PM", datetime(2026, 3, 1, 20, 4, 5)),
        ("%Y%m%d%H%M", "202603011304", datetime(2026, 3, 1, 20, 4)),
        ("%Y-%m-%d %H:%M:%S %z", "2026-03-01 13:04:05 +0100", datetime(2026, 3, 1, 12, 4, 5)),
        ("rfc3339", "2026-03-01 13:04:05", datetime(2026, 3, 1, 20, 4, 5)),
    ],
)
def test_forms_of_time(dale: Store, tmp_path: Path, form: str, text: str, expected: datetime) -> None:
    profile = read_profile(
        put(
            tmp_path / "p.toml",
            f'name = "p"\n[switch]\ntime = {{ form = "{form}", zone = "America/Denver" }}\n'
            '[switch.columns]\nts = "t"\ncircuit_id = "c"\nstate = "s"\n',
        )
    )
    log = put(tmp_path / "l.csv", f"t,c,s\n{text},AD001-c1,on\nsoon,AD001-c1,on\n")
    assert one(dale, log, profile=profile).accepted == 1
    assert query(dale, "SELECT ts FROM switch_log") == [(expected,)]
    assert query(dale, "SELECT reason FROM quarantine") == [("bad_time",)]


GOOD = 'ts = "t"\ncircuit_id = "c"\nstate = "s"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name = ", "not TOML"),
        ("", "name is missing"),
        ('name = "x"', "no kind of log"),
        ('name = "x"\n[relay]\n', "unknown table 'relay'"),
        ('name = "x"\nswitch = 3', "expected a table"),
        ('name = "x"\n[switch]\n', "ts, circuit_id, state"),
        ('name = "x"\n[switch]\ncolours = 1\n', "unknown entry 'colours'"),
        (f'name = "x"\n[switch.columns]\n{GOOD}volts = "v"\n', "unknown column in columns 'volts'"),
        (f'name = "x"\n[switch.columns]\n{GOOD}seq = 3\n', "columns.seq is 3"),
        (
            f'name = "x"\n[switch]\nvalues = {{ state = "on" }}\n[switch.columns]\n{GOOD}',
            "in columns and in values",
        ),
        (f'name = "x"\n[switch]\ntime = {{ form = "%d.%m.%Y" }}\n[switch.columns]\n{GOOD}', "time.form"),
        (f'name = "x"\n[switch]\ntime = {{ zone = "Here" }}\n[switch.columns]\n{GOOD}', "time.zone"),
        (f'name = "x"\n[switch]\ncsv = {{ delimiter = ";;" }}\n[switch.columns]\n{GOOD}', "delimiter"),
        (f'name = "x"\n[switch]\ncsv = {{ decimal = ";" }}\n[switch.columns]\n{GOOD}', "decimal"),
        (f'name = "x"\n[switch]\ncsv = {{ skip_lines = -1 }}\n[switch.columns]\n{GOOD}', "skip_lines"),
        (f'name = "x"\n[switch]\nunits = {{ seq = "kW" }}\n[switch.columns]\n{GOOD}', "units"),
        (f'name = "x"\n[switch]\nreversed = "ts"\n[switch.columns]\n{GOOD}', "reversed"),
    ],
)
def test_a_wrong_profile_is_told_what_is_wrong(tmp_path: Path, text: str, said: str) -> None:
    path = put(tmp_path / "p.toml", text)
    with pytest.raises(ProfileError) as caught:
        read_profile(path)
    assert said in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_profile(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="cannot be read"):
        read_profile(tmp_path / "none.toml")
