"""Cases worked out by hand that pin the plain reading itself: windows, lockouts, surplus starts, wear."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest

from reference.coverage import Fact
from reference.rows import Fleet, ServiceEntry, SwitchEvent, WindowRow
from reference.small import at, circuit, facts, fleet, meter, pick, power, switch, tariff, window
from reference.surplus_start import why


def day(month: int, number: int) -> date:
    return date(2025, month, number)


# ---- window_result ----


def result(row: WindowRow, *events: str, first: str = "06-20 00:00", last: str = "06-21 00:00") -> Fact:
    """The only result of a window in a day of 10-min samples."""
    (found,) = facts(
        "window_result", fleet(power=power(first, last, 10), windows=[row], switch=switch(*events))
    )
    return found


TEN_TO_NOON = window("10:00", "12:00")


@pytest.mark.parametrize(
    ("events", "verdict"),
    [
        (("09:00 on", "13:00 off"), "met"),
        (("10:00 on", "11:55 off"), "met"),  # 115 min, 5 short: just within the grace
        (("10:00 on", "11:54:59 off"), "cut_short"),
        (("10:05:01 on", "12:30 off"), "late"),
        (("10:05:00 on", "11:54 off"), "cut_short"),  # begun within the grace
        (("10:30 on", "11:30 off"), "short"),  # neither the begin nor the end
        (("10:00 on", "10:30 off", "10:35 on", "11:00 off"), "cut_short"),  # a break of 300 s is none
        (("10:00 on", "10:30 off", "10:35:01 on", "11:00 off"), "short"),
        (("10:30 on", "11:00 off", "11:20 on", "12:00 off"), "short"),  # a break on the way to the end
        (("08:00 on", "10:00 off"), "missed"),
        (("09:00 on", "09:30 off hand", "13:00 on"), "excused"),  # off by hand all through
        (("10:00 on", "11:00 off shed", "11:51 on", "12:00 off"), "excused"),  # 60 + 51 + 9 min
        (("10:00 on", "11:00 off shed", "11:50 on", "11:51 off"), "short"),  # 60 + 50 + 1 of 115 min
    ],
)
def test_verdicts_of_a_window_that_needs_all_of_it(events: tuple[str, ...], verdict: str) -> None:
    assert result(TEN_TO_NOON, *events)["verdict"] == verdict


def test_times_of_a_window() -> None:
    row = result(
        TEN_TO_NOON, "09:30 on", "10:20 off", "11:00 on hand", "11:10 off hand", "11:30 off", "12:20 on"
    )
    assert pick(row, "start_ts", "end_ts", "need_s", "on_s", "covered_s") == (
        at("10:00"),
        at("12:00"),
        7200.0,
        1800.0,
        7200.0,
    )
    # off under a hand hold from 11:10 to the next event at 11:30, which repeats the state
    assert pick(row, "excused_s", "first_on_ts", "last_off_ts") == (1200.0, at("10:00"), at("11:10"))


def test_a_run_of_no_length_is_no_first_on() -> None:
    row = result(TEN_TO_NOON, "10:10 on", "10:10 off", "10:40 on", "10:50 off", "11:00 on", "11:00 off")
    assert pick(row, "on_s", "first_on_ts", "last_off_ts") == (600.0, at("10:40"), at("10:50"))


def test_part_of_a_window_may_be_needed() -> None:
    half_hour = window("10:00", "12:00", need_minutes=30)
    assert result(half_hour, "11:00 on", "11:25 off")["verdict"] == "met"
    assert result(half_hour, "11:00 on", "11:24 off")["verdict"] == "short"
    assert result(window("10:00", "12:00", need_minutes=0))["verdict"] == "met"
    swallowed = window("02:15", "03:00", need_minutes=60)  # Denver, 9 March: no such time
    made = fleet("America/Denver", power=power("03-08 12:00", "03-10 12:00", 30), windows=[swallowed])
    assert [r["verdict"] for r in facts("window_result", made)] == ["met", "missed"]
    whole = window("10:00", "12:00", need_minutes=120)
    assert result(whole, "10:30 on", "12:30 off")["verdict"] == "late"


def test_a_hole_makes_a_window_unknown_unless_it_was_met() -> None:
    samples = power("06-20 00:00", "06-20 10:00", 10) + power("06-20 10:40", "06-21 00:00", 10)
    # 10:00-10:30 and 10:40-12:00 are covered: 110 of 120 min
    seen = fleet(power=samples, windows=[TEN_TO_NOON])
    assert pick(facts("window_result", seen)[0], "covered_s", "verdict") == (6600.0, "missed")
    samples = power("06-20 00:00", "06-20 10:00", 10) + power("06-20 10:50", "06-21 00:00", 10)
    unseen = fleet(power=samples, windows=[TEN_TO_NOON])  # 100 of 120 min
    assert pick(facts("window_result", unseen)[0], "covered_s", "verdict") == (6000.0, "unknown")
    met = fleet(power=samples, windows=[TEN_TO_NOON], switch=switch("09:00 on", "12:00 off"))
    assert facts("window_result", met)[0]["verdict"] == "met"


def test_a_window_past_midnight_belongs_to_the_date_of_its_start() -> None:
    row = window("22:30", "01:30", days="Fri")
    made = fleet(
        power=power("06-20 00:00", "06-22 12:00", 10),
        windows=[row],
        switch=switch("06-20 23:30 on", "06-21 01:30 off"),
    )
    (found,) = facts("window_result", made)
    assert pick(found, "local_date", "start_ts", "end_ts", "on_s", "verdict") == (
        day(6, 20),
        at("06-20 22:30"),
        at("06-21 01:30"),
        7200.0,
        "late",
    )


def test_windows_are_judged_from_the_first_row_to_the_horizon() -> None:
    samples = power("06-20 10:05", "06-23 11:50", 5)  # the horizon is 11:55
    rows = facts("window_result", fleet(power=samples, windows=[TEN_TO_NOON]))
    assert [r["local_date"] for r in rows] == [day(6, 21), day(6, 22)]
    samples = power("06-20 10:00", "06-23 11:55", 5)  # first row at the begin, horizon at the end
    assert len(facts("window_result", fleet(power=samples, windows=[TEN_TO_NOON]))) == 4


def test_of_several_rows_the_one_with_the_latest_begin_counts() -> None:
    rows = [
        window("10:00", "12:00"),
        window("14:00", "15:00", days="weekends", valid_from=day(6, 21), valid_to=day(6, 22)),
        window("16:00", "17:00", valid_from=day(6, 24), valid_to=day(6, 24)),
    ]
    made = fleet(power=power("06-20 00:00", "06-25 00:00", 10), windows=rows)
    starts = [r["start_ts"] for r in facts("window_result", made)]
    assert starts == [
        at("06-20 10:00"),
        at("06-21 14:00"),
        at("06-22 14:00"),
        at("06-23 10:00"),
        at("06-24 16:00"),
    ]


@pytest.mark.parametrize(
    ("zone", "date_", "start", "end", "hours"),
    [
        ("America/Denver", day(3, 9), "01:00", "04:00", 2.0),
        ("America/Denver", day(11, 2), "00:00", "03:00", 4.0),
        ("America/Denver", day(3, 9), "02:15", "03:00", 0.0),  # 09:15Z to 09:00Z: swallowed
        ("America/Denver", day(3, 9), "02:15", "04:00", 0.75),  # 09:15Z to 10:00Z
        ("Australia/Lord_Howe", day(10, 5), "01:00", "03:00", 1.5),
        ("Australia/Lord_Howe", day(4, 6), "01:00", "03:00", 2.5),
        ("America/Santiago", day(9, 6), "22:00", "02:00", 3.0),  # over the missing midnight
        ("America/Santiago", day(4, 5), "22:00", "02:00", 5.0),
        ("America/Santiago", day(9, 7), "00:00", "06:00", 5.0),
        ("America/Havana", day(11, 2), "00:00", "02:00", 3.0),
    ],
)
def test_windows_on_days_of_clock_changes(zone: str, date_: date, start: str, end: str, hours: float) -> None:
    before, after = (date_ + timedelta(days=n) for n in (-2, 2))
    samples = power(f"{before:%m-%d} 12:00", f"{after:%m-%d} 12:00", 30)
    rows = facts("window_result", fleet(zone, power=samples, windows=[window(start, end)]))
    (found,) = [row for row in rows if row["local_date"] == date_]
    assert found["need_s"] == (found["end_ts"] - found["start_ts"]).total_seconds() == hours * 3600
    assert found["verdict"] == ("missed" if hours else "met")


# ---- lockout_result ----

LOCKOUT = window("17:00", "21:00", kind="lockout")
PRICES = [tariff("00:00", "17:00", 0.1), tariff("17:00", "19:00", 0.3), tariff("19:00", "00:00", 0.5)]


def lockout(events: list[SwitchEvent], **rows: Any) -> Fact:
    made: dict[str, Any] = {
        "power": power("06-20 00:00", "06-21 00:00", 10),
        "windows": [LOCKOUT],
        "tariffs": PRICES,
        "switch": events,
    }
    (found,) = facts("lockout_result", fleet(**{**made, **rows}))
    return found


def test_a_lockout_counts_hand_apart_and_honours_price_changes() -> None:
    row = lockout(switch("16:00 on clock", "17:30 off", "18:30 on hand", "20:00 off"))
    # 0.5 h clock; 1.5 h hand; 1 kW: 1 h at 0.3 and 1 h at 0.5, the day's cheapest being 0.1
    assert pick(row, "on_s", "hand_s", "own_wh") == (1800.0, 5400.0, 2000.0)
    assert pick(row, "cost", "excess_cost") == pytest.approx((0.8, 0.6))


def test_metered_energy_is_cut_to_the_lockout() -> None:
    events = switch("16:00 on", "17:30 off")
    row = lockout(events, meter=meter("16:45", "17:15", 30, 600.0))
    # 16:45-17:15 and 17:15-17:45 at 600 W: 45 min within the lockout
    assert row["own_wh"] == pytest.approx(450.0)
    assert pick(row, "cost", "excess_cost") == pytest.approx((0.135, 0.09))


def test_what_a_silent_meter_does_not_cover_counts_at_the_rating() -> None:
    events = switch("16:00 on", "18:00 off", "19:30 on", "20:00 off")
    log = meter("16:30", "17:00", 15, 600.0) + meter("19:45", "20:45", 15, 600.0)
    row = lockout(events, meter=log)
    # 17:00-17:45 at 600 W, as a sample covers three intervals at most; 17:45-18:00 and 19:30-19:45 at 1 kW;
    # 19:45-20:00 and, off, 20:00-21:00 at 600 W: 450 + 250 + 250 + 150 + 600 Wh
    assert row["own_wh"] == pytest.approx(1700.0)
    assert row["cost"] == pytest.approx(0.3 * 0.7 + 0.5 * 1.0)
    unrated = lockout(events, meter=log, circuits=[circuit(rated_w=None)])
    assert pick(unrated, "own_wh", "cost", "excess_cost") == (None, None, None)
    covered = lockout(switch("16:00 on", "17:45 off"), meter=log, circuits=[circuit(rated_w=None)])
    assert covered["own_wh"] == pytest.approx(450.0 + 750.0)


def test_without_a_price_there_is_no_cost() -> None:
    gap = [tariff("00:00", "17:15", 0.1), tariff("18:00", "00:00", 0.3)]
    inside = lockout(switch("16:00 on", "17:15 off"), tariffs=gap)
    assert pick(inside, "own_wh", "cost") == (250.0, pytest.approx(0.025))
    beyond = lockout(switch("16:00 on", "17:16 off"), tariffs=gap)
    assert pick(beyond, "on_s", "cost", "excess_cost") == (960.0, None, None)
    nothing_on = lockout([], tariffs=[])
    assert pick(nothing_on, "on_s", "own_wh", "cost", "excess_cost") == (0.0, 0.0, 0.0, 0.0)


def test_the_cheapest_price_is_that_of_the_windows_local_date() -> None:
    by_day = [tariff("00:00", "00:00", 0.3, days="Fri"), tariff("00:00", "00:00", 0.1, days="Sat")]
    night = window("22:00", "02:00", kind="lockout", days="Fri")
    row = lockout(
        switch("06-20 23:00 on", "06-21 01:00 off"),
        tariffs=by_day,
        windows=[night],
        power=power("06-20 00:00", "06-21 12:00", 10),
    )
    # 1 kWh at 0.3 on Friday, 1 kWh at 0.1 on Saturday; Friday's cheapest is 0.3
    assert pick(row, "cost", "excess_cost") == pytest.approx((0.4, -0.2))


# ---- surplus_start ----


def surplus(events: list[SwitchEvent], samples: list[Any], **settings: Any) -> Fact:
    rules = {"min_run_s": 1800.0, "surplus_off_w": 500.0, **settings}
    (found,) = facts("surplus_start", fleet(power=samples, switch=events, circuits=[circuit(**rules)]))
    return found


def sunny(first: str, last: str, pv: float, house: float) -> list[Any]:
    return power(first, last, 5, house=house, pv=pv)


def test_a_start_that_keeps_its_surplus() -> None:
    samples = sunny("09:00", "10:25", 3000, 500) + sunny("10:30", "11:30", 3000, 1500)
    row = surplus(switch("10:30 on surplus", "11:30 off"), samples)
    # before: 10:20 and 10:25; base 500 W, surplus 2500 W; the 1000 W run never buys
    assert pick(row, "surplus_before_w", "pv_before_w", "base_before_w") == (2500.0, 3000.0, 500.0)
    assert pick(row, "hold_end", "own_wh", "grid_wh", "solar_share") == (at("11:00"), 1000.0, 0.0, 1.0)
    assert pick(row, "dip_ts", "dip_end_ts", "d_pv_w", "why") == (None, None, None, "none")


def test_a_cloud() -> None:
    samples = (
        sunny("09:00", "10:25", 3000, 500)
        + sunny("10:30", "10:35", 3000, 1500)
        + sunny("10:40", "10:45", 400, 1600)
        + sunny("10:50", "11:30", 3000, 1500)
    )
    row = surplus(switch("10:30 on surplus", "11:00 off"), samples)
    # 10:40-10:50: base 600, surplus -200 under 500; imports 1200 W of which 1000 W are the circuit's
    assert pick(row, "dip_ts", "dip_end_ts", "d_pv_w", "d_base_w", "why") == (
        at("10:40"),
        at("10:50"),
        2600.0,
        100.0,
        "cloud",
    )
    assert pick(row, "own_wh", "grid_wh", "solar_share") == pytest.approx((500.0, 1000 / 6, 2 / 3))


def test_the_house() -> None:
    samples = sunny("09:00", "10:25", 3000, 500) + sunny("10:30", "11:30", 2900, 4000)
    row = surplus(switch("10:30 on surplus", "10:50 off"), samples)
    assert pick(row, "dip_ts", "dip_end_ts", "d_pv_w", "d_base_w", "why") == (
        at("10:30"),
        at("10:50"),
        100.0,
        2500.0,
        "house",
    )


def test_the_sunset() -> None:
    samples = sunny("09:00", "10:25", 3000, 500) + sunny("10:30", "11:30", 600, 1500)
    made = fleet(
        power=samples,
        switch=switch("10:30 on surplus", "11:30 off"),
        circuits=[circuit(min_run_s=1800.0, surplus_off_w=500.0)],
    )

    def falling(site_id: str, local_date: date, ts: datetime) -> float:
        return 3000.0 - 100.0 * (ts - at("10:25")).total_seconds() / 60

    (row,) = facts("surplus_start", made, falling)
    # from the middle of 10:20-10:30 to that of 10:30-11:00: 20 min at 100 W a minute; d_pv is 2400 W
    assert pick(row, "d_pv_w", "d_clear_w", "why") == (2400.0, pytest.approx(2000.0), "sunset")


def test_why_in_its_order() -> None:
    assert why(before=False, hold_seen=True, dip=True, d_pv=None, d_base=None, d_clear=None) == "unknown"
    assert why(before=True, hold_seen=False, dip=False, d_pv=None, d_base=None, d_clear=None) == "unknown"
    assert why(before=True, hold_seen=False, dip=True, d_pv=500, d_base=100, d_clear=0) == "cloud"
    assert why(before=True, hold_seen=True, dip=True, d_pv=500, d_base=100, d_clear=250) == "sunset"
    assert why(before=True, hold_seen=True, dip=True, d_pv=500, d_base=400, d_clear=150) == "house"
    assert why(before=True, hold_seen=True, dip=True, d_pv=-5, d_base=-400, d_clear=-50) == "house"
    assert why(before=True, hold_seen=True, dip=True, d_pv=5, d_base=-400, d_clear=None) == "cloud"


def test_a_dip_of_less_than_two_minutes_is_none() -> None:
    samples = power("10:00", "10:29", 1, house=500, pv=3000) + power("10:30", "10:30", 1, house=500, pv=100)
    samples += power("10:31", "10:40", 1, house=1500, pv=3000) + power(
        "10:41", "10:42", 1, house=1500, pv=100
    )
    samples += power("10:43", "11:30", 1, house=1500, pv=3000)
    row = surplus(switch("10:30 on surplus", "11:30 off"), samples)
    assert pick(row, "dip_ts", "dip_end_ts") == (at("10:41"), at("10:43"))
    cut = surplus(switch("10:30 on surplus", "10:42:30 off"), samples)  # the hold ends after 90 s of it
    assert pick(cut, "hold_end", "dip_ts", "why") == (at("10:42:30"), None, "none")


def test_a_hole_ends_a_dip_and_hides_the_hold() -> None:
    samples = sunny("09:00", "10:30", 3000, 500) + sunny("10:35", "10:35", 100, 1500)
    late = sunny("11:20", "12:00", 3000, 1500)
    row = surplus(switch("10:35 on surplus", "11:30 off"), samples + late)
    assert pick(row, "dip_ts", "dip_end_ts", "grid_wh") == (at("10:35"), at("10:50"), None)
    unseen = surplus(switch("10:31 on surplus", "11:30 off"), sunny("09:00", "10:30", 3000, 500) + late)
    assert unseen["why"] == "unknown"  # 14 of 30 min, and no dip in them


def test_what_stood_before_a_start_may_be_20_minutes_old() -> None:
    samples = sunny("09:00", "09:55", 3000, 500)  # the last of them ends at 10:00
    after = sunny("12:00", "13:00", 3000, 1500)
    # 09:55 is the last before the hole and covers three intervals, up to 10:10
    found = surplus(switch("10:30 on surplus", "10:40 off"), samples + after)
    assert pick(found, "surplus_before_w", "why") == (2500.0, "unknown")
    gone = surplus(switch("10:30:01 on surplus", "10:40 off"), samples + after)
    assert pick(gone, "surplus_before_w", "pv_before_w", "why") == (None, None, "unknown")


def test_the_battery_goes_on_as_it_does() -> None:
    samples = power("10:00", "10:55", 5, house=800, pv=2000, battery_w=-700)
    row = surplus(switch("10:30 on surplus", "10:31 off"), samples)
    assert row["surplus_before_w"] == 500.0


def test_without_least_run_time_the_hold_is_empty() -> None:
    row = surplus(switch("10:30 on surplus", "11:00 off"), sunny("10:00", "11:00", 0, 500), min_run_s=None)
    assert pick(row, "hold_end", "dip_ts", "why") == (at("10:30"), None, "none")


# ---- wear ----


def worn(events: list[SwitchEvent], service: Any = (), **settings: Any) -> list[Fact]:
    samples = power("06-20 00:00", "06-22 23:30", 30)
    return facts(
        "wear", fleet(power=samples, switch=events, service=list(service), circuits=[circuit(**settings)])
    )


CLOSINGS = switch(
    "06-20 10:00 on", "06-20 11:00 off", "06-20 12:00 on", "06-20 13:00 off",
    "06-21 10:00 on", "06-21 11:00 off", "06-22 10:00 on", "06-22 10:00 off",
)  # fmt: skip


def test_operations_since_fitting() -> None:
    rows = worn(CLOSINGS, fitted_on=day(6, 21), ops_at_fit=100.0, mech_life_ops=1000.0)
    assert [pick(r, "ops", "mech_used", "elec_used", "used") for r in rows] == [
        (100.0, 0.1, None, 0.1),
        (101.0, 0.101, None, 0.101),
        (102.0, 0.102, None, 0.102),
    ]
    assert [r["ops_per_day"] for r in rows] == [2.0, 1.5, pytest.approx(4 / 3)]


def test_a_replacement_begins_the_count_anew() -> None:
    replaced = [
        ServiceEntry("s", "c", day(6, 21), "contactor_replaced"),
        ServiceEntry("s", "c", day(6, 22), "inspected"),
    ]
    rows = worn(CLOSINGS, replaced, fitted_on=day(1, 1), ops_at_fit=100.0)
    assert [pick(r, "ops", "used") for r in rows] == [(102.0, None), (1.0, None), (2.0, None)]
    same_day = [ServiceEntry("s", "c", day(6, 21), "contactor_replaced")]
    rows = worn(CLOSINGS, same_day, fitted_on=day(6, 21), ops_at_fit=100.0)
    assert [r["ops"] for r in rows] == [100.0, 101.0, 102.0]


def test_electrical_wear_goes_by_the_square_of_the_current() -> None:
    life = {"elec_life_ops": 1000.0, "elec_life_a": 10.0}
    double = worn(CLOSINGS, load_a=20.0, **life)  # 250 operations
    assert [r["elec_used"] for r in double] == pytest.approx([2 / 250, 3 / 250, 4 / 250])
    used_before = worn(CLOSINGS, load_a=20.0, ops_at_fit=50.0, **life)
    assert used_before[-1]["elec_used"] == pytest.approx(4 / 250)  # closings alone
    light = worn(CLOSINGS, load_a=1.0, mech_life_ops=5000.0, **life)  # 100 000, but no more than 5000
    assert pick(light[-1], "mech_used", "elec_used", "used") == pytest.approx((4 / 5000, 4 / 5000, 4 / 5000))


def test_days_outside_every_row_of_settings_still_count_closings() -> None:
    samples = power("06-20 00:00", "06-22 23:30", 30)
    rows = [
        circuit(valid_to=day(6, 20), fitted_on=day(1, 1)),
        circuit(valid_from=day(6, 22), fitted_on=day(1, 1)),
    ]
    made: Fleet = fleet(power=samples, switch=CLOSINGS, circuits=rows)
    assert [r["ops"] for r in facts("wear", made)] == [2.0, 3.0, 4.0]
