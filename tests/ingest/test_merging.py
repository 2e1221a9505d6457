"""Which row stands: duplicates, replacements, the newest load; against a plain model of the same words."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest
from coilbook.ingest.store import Store
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from little_fleet import POWER, SWITCH, balanced, content, held, load, one, put, query, registry

FRESH = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def power(minute: int, pv: int) -> str:
    return f"2026-03-01T12:{minute:02d}:00Z,H1,{pv},300,\n"


def test_newest_load_wins_and_is_counted(known: Store, tmp_path: Path) -> None:
    first = one(known, put(tmp_path / "a.csv", POWER + power(0, 1) + power(1, 1)))
    second = one(known, put(tmp_path / "b.csv", POWER + power(0, 2) + power(1, 1) + power(2, 1)))
    assert (first.accepted, first.duplicate, first.replaced) == (2, 0, 0)
    assert (second.accepted, second.duplicate, second.replaced) == (1, 1, 1)
    assert query(known, "SELECT pv_w FROM power_log ORDER BY ts") == [(2.0,), (1.0,), (1.0,)]


def test_within_a_file_the_later_row_wins(known: Store, tmp_path: Path) -> None:
    row = one(known, put(tmp_path / "a.csv", POWER + power(0, 1) + power(0, 1) + power(0, 2) + power(1, 5)))
    assert (row.accepted, row.duplicate, row.replaced) == (2, 1, 1)
    assert query(known, "SELECT pv_w FROM power_log ORDER BY ts") == [(2.0,), (5.0,)]


def test_on_and_off_at_one_instant_are_two_rows(known: Store, tmp_path: Path) -> None:
    rows = "".join(
        f"2026-03-01T12:00:00Z,H1-a,{state},clock,{seq}\n" for state, seq in [("on", 1), ("off", 2), ("1", 1)]
    )
    row = one(known, put(tmp_path / "s.csv", SWITCH + rows))
    assert (row.accepted, row.duplicate) == (2, 1)


def test_an_empty_cell_is_a_value_of_its_own(known: Store, tmp_path: Path) -> None:
    lines = "2026-03-01T12:00:00Z,H1,1,,5\n2026-03-01T12:00:00Z,H1,1,,5\n2026-03-01T12:00:00Z,H1,1,0,5\n"
    row = one(known, put(tmp_path / "a.csv", POWER + lines))
    assert (row.accepted, row.duplicate, row.replaced) == (1, 1, 1)


def test_a_registry_row_without_valid_from_has_a_key_too(known: Store, tmp_path: Path) -> None:
    head = "circuit_id,site_id,appliance,min_run_s,valid_from\n"
    again = one(
        known, put(tmp_path / "c.csv", head + "H1-a,H1,pool_pump,900,\nH1-a,H1,pool_pump,600,2026-03-01\n")
    )
    assert (again.accepted, again.replaced) == (1, 1)
    assert query(
        known, "SELECT min_run_s FROM circuit WHERE circuit_id = 'H1-a' ORDER BY valid_from NULLS FIRST"
    ) == [
        (900.0,),
        (600.0,),
    ]


def model(files: list[list[tuple[int, int]]]) -> tuple[dict[int, int], list[tuple[int, int, int]]]:
    """The words of the contract, row by row."""
    stands: dict[int, int] = {}
    counts = []
    for rows in files:
        accepted = duplicate = replaced = 0
        for minute, pv in rows:
            if minute not in stands:
                accepted += 1
            elif stands[minute] == pv:
                duplicate += 1
            else:
                replaced += 1
            stands[minute] = pv
        counts.append((accepted, duplicate, replaced))
    return stands, counts


@FRESH
@given(
    files=st.lists(
        st.lists(st.tuples(st.integers(0, 5), st.integers(0, 2)), max_size=10), min_size=1, max_size=4
    )
)
def test_against_the_model(
    tmp_path_factory: pytest.TempPathFactory, files: list[list[tuple[int, int]]]
) -> None:
    folder = tmp_path_factory.mktemp("model")
    with Store.open(folder / "s.duckdb", threads=1) as store:
        load(store, registry(folder))
        stands, counts = model(files)
        for place, (rows, expected) in enumerate(zip(files, counts, strict=True)):
            row = one(store, put(folder / f"{place}.csv", POWER + "".join(power(*r) for r in rows)))
            assert (row.accepted, row.duplicate, row.replaced) == expected
        found = query(store, "SELECT minute(ts)::INT, pv_w::INT FROM power_log ORDER BY ts")
        assert dict(found) == stands
        assert len(found) == len(stands)


CELLS = {
    "ts": ["2026-03-01T12:00:00Z", "2026-03-01T13:00:00Z", "soon", "", "1970-01-01T00:00:00Z"],
    "site_id": ["H1", "H2", "H9", ""],
    "pv_w": ["0", "7.5", "x", "", "1e9", "NaN"],
    "house_w": ["1", "", "2"],
    "grid_w": ["1", "", "y"],
}
messy_row = st.one_of(
    st.tuples(*(st.sampled_from(cells) for cells in CELLS.values())).map(",".join),
    st.tuples(*(st.just(cells[0]) for cells in CELLS.values())).map(",".join),
    st.text(st.sampled_from('a1,"\n'), min_size=1, max_size=8),
)


@FRESH
@given(lines=st.lists(messy_row, max_size=25))
def test_no_row_of_a_messy_file_is_lost(tmp_path_factory: pytest.TempPathFactory, lines: list[str]) -> None:
    folder = tmp_path_factory.mktemp("messy")
    with Store.open(folder / "s.duckdb", threads=1) as store:
        load(store, registry(folder))
        row = one(store, put(folder / "p.csv", POWER + "\n".join(lines)))
        assert row.outcome == "loaded"
        assert balanced(row)
        assert len(held(store)) == row.quarantined
        stands = query(store, "SELECT count(*) FROM power_log")[0][0]
        assert stands <= row.accepted + row.replaced
        again = one(store, folder / "p.csv")
        assert balanced(again)
        assert again.quarantined == row.quarantined == len(held(store))
        assert again.accepted == 0
        assert query(store, "SELECT count(*) FROM power_log") == [(stands,)]


def whole(known: Store, tmp_path: Path) -> list[str]:
    lines = [power(m, m) for m in range(30)]
    lines += [f"2026-03-02T{h:02d}:00:00Z,H2,{h},,5\n" for h in range(24)]
    return [*lines, "soon,H1,1,2,3\n", "2026-03-01T12:00:00Z,H8,1,2,3\n"]


@pytest.mark.parametrize("seed", range(3))
def test_order_splitting_and_loading_twice_change_nothing(tmp_path: Path, seed: int) -> None:
    def loaded(name: str, *files: list[str]) -> dict[str, list[tuple[Any, ...]]]:
        with Store.open(tmp_path / f"{name}.duckdb", threads=1) as store:
            load(store, registry(tmp_path))
            for place, lines in enumerate(files):
                load(store, put(tmp_path / name / f"{place}.csv", POWER + "".join(lines)))
            return content(store, quarantine=False)

    with Store.open(tmp_path / "x.duckdb") as store:
        lines = whole(store, tmp_path)
    shuffled = random.Random(seed).sample(lines, len(lines))
    at = 10 + seed
    expected = loaded("straight", lines)
    assert expected["power_log"]
    assert loaded("shuffled", shuffled) == expected
    assert loaded("split", shuffled[:at], shuffled[at - 5 :]) == expected
    assert loaded("twice", lines, lines, shuffled) == expected


def test_held_rows_of_a_file_loaded_again_make_way(known: Store, tmp_path: Path) -> None:
    path = put(tmp_path / "a.csv", POWER + "soon,H1,1,2,3\n" + power(0, 1))
    first, second = one(known, path), one(known, path)
    assert (first.quarantined, second.quarantined, second.duplicate) == (1, 1, 1)
    assert query(known, "SELECT load_id, line, reason FROM quarantine") == [(second.load_id, 2, "bad_time")]


def test_registry_files_loaded_again_are_duplicates(known: Store, tmp_path: Path) -> None:
    before = content(known)
    rows = load(known, registry(tmp_path))
    assert all(row.duplicate == row.rows_read > 0 for row in rows)
    assert content(known) == before
