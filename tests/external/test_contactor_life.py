"""The `wear` fact against published worked examples: linear damage, mixed duty, operations a year, T10D.

Sources: linear damage (Palmgren-Miner) as worked in Modarres, Amiri & Jackson, Probabilistic Physics of
Failure (2017), pp. 33-37; mixed duty X = A / (1 + C/100 (A/B - 1)) from contactor handbooks (from memory);
operations a year nop = dop x hop x 3600 / tcycle, MTTFD = B10D / (0.1 nop) and T10D = B10D / nop from
ISO 13849-1, C.4.2 (T10D from memory). A rated durability is a B10: nine of ten contactors reach it (IEC
60947-4-1, Annex B, from memory), so the date on which it is used up is the end of T10D.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from contract_store import Row, reviewed, table

BEGIN = date(2026, 5, 4)
ONE_DAY = timedelta(days=1)
EXPONENT = 2.0  # of elec_life(I) = elec_life_ops x (elec_life_a / I)^k, the product's default
ANY_MECH = 1e9

# Hours to failure at three stresses, and the minutes of each cycle spent at them.
LIVES_H, MINUTES = (50_000.0, 6_500.0, 1_000.0), (40, 15, 5)
CYCLES_TO_FAILURE, SHARES = 7400.37951, (0.0986717, 0.28463, 0.6166983)
# A: operations were all AC-3, B: were all AC-4, C: percent of AC-4, X: operations of the mixture.
MIXED = [(1e6, 3e4, 10, 236_220), (1.2e6, 2e5, 5, 960_000), (1e6, 1e5, 10, 526_316)]
# B10D, starts a day, nop [1/year], T10D and MTTFD [years of 365 days].
B10D = 1.3e6
STARTS_A_DAY = [(60, 21_900, 59.4, 593.6), (96, 35_040, 37.1, 371.0)]
YEAR = 365.0


def life(amps: float, elec_life: float) -> dict[str, float]:
    """Settings under which a closing at `amps` has the electrical life asked for, rated at 10 A."""
    return {"load_a": amps, "elec_life_a": 10.0, "elec_life_ops": elec_life * (amps / 10.0) ** EXPONENT}


def worn(folder: Path, settings: Sequence[dict[str, Any]], starts: Sequence[int]) -> list[dict[str, Any]]:
    """Rows of `wear` of one circuit; on its n-th day it has settings[n] and closes starts[n] times.

    The last settings hold on; closings are spread evenly over the day (UTC).
    """
    circuit = {"circuit_id": "c", "site_id": "s", "controller_id": "k", "appliance": "other"}
    blank = {
        "mech_life_ops": ANY_MECH,
        "elec_life_ops": None,
        "elec_life_a": None,
        "load_a": None,
        "ops_at_fit": 0,
    }
    rows: list[Row] = []
    for n, given in enumerate(settings):
        last = n == len(settings) - 1
        until = {"valid_from": BEGIN + n * ONE_DAY, "valid_to": None if last else BEGIN + n * ONE_DAY}
        rows.append({**circuit, "fitted_on": BEGIN, **blank, **given, **until})
    power: list[Row] = []
    switch: list[Row] = []
    for n, count in enumerate(starts):
        midnight = datetime.combine(BEGIN + n * ONE_DAY, datetime.min.time())
        power += [
            {"ts": midnight + timedelta(minutes=15 * k), "site_id": "s", "pv_w": 0, "house_w": 100}
            for k in range(96)
        ]
        for k in range(count):
            for share, state in ((0.25, "on"), (0.75, "off")):
                ts = midnight + ONE_DAY * ((k + share) / count)
                switch.append({"ts": ts, "circuit_id": "c", "state": state, "cause": "clock"})
    sites: list[Row] = [{"site_id": "s", "timezone": "UTC"}]
    files = {"sites": sites, "circuits": rows, "power": power, "switch": switch}
    with reviewed(folder, files) as store:
        found = table(store, "wear").sort("local_date").to_dicts()
    return found[: len(starts)]


def test_linear_damage_of_the_worked_example(tmp_path: Path) -> None:
    """The hours of the example stand as closings: 8, 3 and 1, in the proportion of 40, 15 and 5 min."""
    closings = [m // 5 for m in MINUTES]
    settings = [life(amps, hours) for amps, hours in zip((6.0, 14.0, 25.0), LIVES_H, strict=True)]
    used = [row["elec_used"] for row in worn(tmp_path, settings, closings)]
    assert used[-1] / 12 == pytest.approx(1 / CYCLES_TO_FAILURE, rel=1e-8)
    parts = [b - a for a, b in zip([0.0, *used], used, strict=False)]
    assert [part / used[-1] for part in parts] == pytest.approx(SHARES, abs=1e-6)


def test_damage_is_counted_by_the_settings_of_its_day(tmp_path: Path) -> None:
    """Current alone changes: the rated life at 10 A gives the lives of the example at other currents."""
    rated = LIVES_H[0]
    settings = [
        {"load_a": 10.0 * (rated / hours) ** (1 / EXPONENT), "elec_life_a": 10.0, "elec_life_ops": rated}
        for hours in LIVES_H
    ]
    used = [row["elec_used"] for row in worn(tmp_path, settings, [8, 3, 1])]
    assert used[-1] / 12 == pytest.approx(1 / CYCLES_TO_FAILURE, rel=1e-8)


@pytest.mark.parametrize(("all_ac3", "all_ac4", "percent", "mixed"), MIXED)
def test_mixed_duty(tmp_path: Path, all_ac3: float, all_ac4: float, percent: int, mixed: float) -> None:
    """Two days at two currents, C percent of the closings at the greater."""
    many, few = 100 - percent, percent
    settings = [life(10.0, all_ac3), life(40.0, all_ac4)]
    used = worn(tmp_path, settings, [many, few])[-1]["elec_used"]
    assert used == pytest.approx(100 / mixed, rel=5e-6)
    assert used == pytest.approx(100 * (1 + percent / 100 * (all_ac3 / all_ac4 - 1)) / all_ac3, rel=1e-9)


@pytest.mark.parametrize(("starts", "nop", "t10d", "mttfd"), STARTS_A_DAY)
def test_operations_a_year_and_the_end_of_t10d(
    tmp_path: Path, starts: int, nop: int, t10d: float, mttfd: float
) -> None:
    last = worn(tmp_path, [{"mech_life_ops": B10D}], [starts] * 3)[-1]
    assert last["ops_per_day"] * YEAR == nop
    assert last["mech_used"] == 3 * starts / B10D
    years = ((last["date_100"] - BEGIN).days) / YEAR
    assert years == pytest.approx(t10d, abs=0.05)
    assert 10 * years == pytest.approx(mttfd, abs=0.1)
    # Every day alike: the interval has no width.
    assert last["date_100_early"] == last["date_100"] == last["date_100_late"]
    assert (last["date_80"] - BEGIN).days == pytest.approx(0.8 * B10D / starts, abs=1)


def test_a_relay_that_works_every_twenty_seconds(tmp_path: Path) -> None:
    """nop 1 577 880 a year of 365.25 days, B10D 20e6: MTTFD 126.75 years.

    A maker's manual, citing EN ISO 13849-1:2008, Table C.1.
    """
    last = worn(tmp_path, [{"mech_life_ops": 20e6}], [24 * 3600 // 20])[-1]
    assert last["ops_per_day"] * 365.25 == 1_577_880
    assert (last["date_100"] - BEGIN).days / 365.25 == pytest.approx(126.75 / 10, abs=0.005)


@pytest.mark.parametrize(
    ("starts", "nop", "mttfd"),
    [
        (24, 8_760, 1_563.77),  # once an hour: as printed, in a maker's safety note of 09/2016, p. 59
        (1, 365, 37_530.5),  # once a day, for which the printed figure is easily mistaken
    ],
)
def test_once_an_hour_is_not_once_a_day(tmp_path: Path, starts: int, nop: int, mttfd: float) -> None:
    """B10 1e6, 73 % of failures dangerous: B10D 1 369 863. The last tenth of T10D is MTTFD / 100."""
    b10d = 1e6 / 0.73
    settings = [{"mech_life_ops": b10d, "ops_at_fit": 0.9 * b10d}]
    last = worn(tmp_path, settings, [starts] * 2)[-1]
    assert last["ops_per_day"] * YEAR == nop
    assert b10d / nop * 10 == pytest.approx(mttfd, rel=1e-5)
    if mttfd / 100 > 100:
        assert last["date_100"] is None  # more than a century ahead is no date
    else:
        assert (last["date_100"] - BEGIN).days / YEAR == pytest.approx(mttfd / 100, abs=0.01)


def test_a_contactor_lives_no_longer_than_its_mechanics(tmp_path: Path) -> None:
    """At a tenth of its rated current it would last 100 times as long, were it not for its mechanics."""
    settings = [{"mech_life_ops": 1e6, "load_a": 1.0, "elec_life_a": 10.0, "elec_life_ops": 1e5}]
    last = worn(tmp_path, settings, [40])[-1]
    assert (last["mech_used"], last["elec_used"], last["used"]) == (4e-5, 4e-5, 4e-5)
    settings = [{"mech_life_ops": 1e6, "load_a": 20.0, "elec_life_a": 10.0, "elec_life_ops": 1e5}]
    (tmp_path / "more").mkdir()
    last = worn(tmp_path / "more", settings, [40])[-1]
    assert (last["mech_used"], last["elec_used"], last["used"]) == (4e-5, 40 / 25_000, 40 / 25_000)
