"""Cases worked out by hand that pin the plain reading itself: runs, coverage, circuit and controller days."""

from __future__ import annotations

from datetime import date, time

import pytest

from reference.clock import wall
from reference.rows import StatusReport
from reference.small import at, circuit, facts, fleet, meter, pick, power, switch


def day(month: int, number: int) -> date:
    return date(2025, month, number)


# ---- wall times (PEP 495, fold=0; offsets of the tz database) ----


@pytest.mark.parametrize(
    ("zone", "date_", "clock", "expected"),
    [
        ("America/Denver", day(3, 9), "02:30", "03-09 09:30"),  # skipped: by -07:00, in force before
        ("America/Denver", day(11, 2), "01:30", "11-02 07:30"),  # twice: the first, -06:00
        ("America/Santiago", day(9, 7), "00:00", "09-07 04:00"),  # the missing midnight, by -04:00
        ("Australia/Lord_Howe", day(4, 6), "01:45", "04-05 14:45"),  # twice: the first, +11:00
        ("America/Havana", day(11, 2), "00:30", "11-02 04:30"),  # twice: the first, -04:00
    ],
)
def test_wall_times(zone: str, date_: date, clock: str, expected: str) -> None:
    assert wall(zone, date_, time.fromisoformat(clock)) == at(expected)


# ---- run ----


def test_repeats_make_no_runs_and_an_open_run_counts_to_the_horizon() -> None:
    events = switch("08:00 off", "10:00 on clock", "10:20 on hand", "11:00 off shed", "12:00 on", "12:45 on")
    first, second = facts("run", fleet(switch=events))
    assert pick(first, "start", "end", "duration_s", "cause_on", "cause_off") == (
        at("10:00"),
        at("11:00"),
        3600.0,
        "clock",
        "shed",
    )
    assert pick(second, "start", "end", "duration_s", "cause_off") == (at("12:00"), None, 2700.0, None)


def test_two_events_at_one_instant_leave_the_state_as_it_was() -> None:
    standing_off = facts("run", fleet(switch=switch("10:00 off", "10:00 on")))
    assert [pick(r, "start", "end", "duration_s") for r in standing_off] == [(at("10:00"), at("10:00"), 0.0)]
    standing_on = facts("run", fleet(switch=switch("09:00 on", "10:00 on", "10:00 off", "11:00 off")))
    assert [r["duration_s"] for r in standing_on] == [3600.0, 3600.0]


def test_numbers_order_two_events_at_one_instant_where_both_have_one() -> None:
    made = switch("10:00 on #5", "10:00 off #4", "10:30 off #6")
    assert [r["duration_s"] for r in facts("run", fleet(switch=made))] == [1800.0]
    half = switch("10:00 on #5", "10:00 off", "10:30 off #6")
    assert [r["duration_s"] for r in facts("run", fleet(switch=half))] == [0.0]


def test_a_run_belongs_to_the_local_date_of_its_start() -> None:
    made = fleet("America/Denver", switch=switch("06-20 05:30 on", "06-20 07:00 off"))
    assert facts("run", made)[0]["local_date"] == day(6, 19)  # 23:30 at -06:00


# ---- coverage ----


def test_a_sample_covers_at_most_three_intervals() -> None:
    samples = power("10:00", "10:30", 10) + power("12:00", "12:20", 10)
    (row,) = facts("coverage", fleet(power=samples))
    # intervals 10, 10, 10, 90, 10, 10 min: median 10; 10:00-11:00 by the cap, 12:00-12:30 by the last one
    assert pick(row, "samples", "interval_s", "covered_s") == (7, 600.0, 5400.0)
    # 00:00-10:00 before the first, 11:00-12:00 between; the horizon is 12:30
    assert pick(row, "longest_gap_s", "first_ts", "last_ts") == (36000.0, at("10:00"), at("12:20"))


def test_days_with_few_samples_borrow_the_interval() -> None:
    samples = power("06-20 10:00", "06-20 10:20", 10) + power("06-21 10:00", "06-21 11:00", 60)
    rows = facts("coverage", fleet(power=samples))
    # 06-20: 10:00-10:30, then two more intervals up to 10:50; 06-21: 30 min, and 10 min at the very end
    assert [pick(r, "interval_s", "covered_s") for r in rows] == [(600.0, 3000.0), (600.0, 2400.0)]
    alone = facts("coverage", fleet(power=power("10:00", "11:00", 60)))
    assert pick(alone[0], "interval_s", "covered_s") == (3600.0, 7200.0)
    single = facts("coverage", fleet(power=power("10:00", "10:00", 60)))
    assert pick(single[0], "interval_s", "covered_s", "longest_gap_s") == (0.0, 0.0, 36000.0)


def test_an_interval_is_borrowed_from_31_days_before_and_no_longer() -> None:
    old = power("06-20 10:00", "06-20 10:20", 10)
    near = facts("coverage", fleet(power=old + power("07-21 10:00", "07-21 10:00", 1)))
    far = facts("coverage", fleet(power=old + power("07-22 10:00", "07-22 10:00", 1)))
    assert (near[-1]["interval_s"], far[-1]["interval_s"]) == (600.0, 0.0)
    assert len(near) == 32
    assert pick(near[1], "samples", "interval_s", "covered_s", "longest_gap_s", "first_ts") == (
        0,
        None,
        0.0,
        86400.0,
        None,
    )


def test_a_site_without_power_is_covered_from_its_first_to_its_last_row_of_the_day() -> None:
    events = switch("06-20 08:00 on", "06-20 20:00 off", "06-22 06:00 on")
    rows = facts("coverage", fleet(switch=events))
    assert [r["covered_s"] for r in rows] == [43200.0, 0.0, 0.0]
    assert [r["longest_gap_s"] for r in rows] == [28800.0, 86400.0, 21600.0]


def test_samples_over_midnight_count_to_each_day_for_their_part() -> None:
    samples = power("06-20 23:00", "06-21 00:40", 20, islanded=True)
    rows = facts("coverage", fleet(power=samples))
    assert [pick(r, "covered_s", "islanded_s") for r in rows] == [(3600.0, 3600.0), (3600.0, 3600.0)]
    late = power("06-20 23:10", "06-21 00:50", 20, islanded=True)
    rows = facts("coverage", fleet(power=late))
    assert [pick(r, "samples", "covered_s", "islanded_s") for r in rows] == [
        (3, 3000.0, 3000.0),
        (3, 4200.0, 4200.0),
    ]


@pytest.mark.parametrize(
    ("zone", "date_", "hours"),
    [
        ("America/Denver", day(3, 9), 23.0),
        ("America/Denver", day(11, 2), 25.0),
        ("America/St_Johns", day(3, 9), 23.0),
        ("Australia/Lord_Howe", day(10, 5), 23.5),
        ("Australia/Lord_Howe", day(4, 6), 24.5),
        ("America/Santiago", day(9, 7), 23.0),
        ("America/Santiago", day(4, 5), 25.0),
        ("America/Phoenix", day(3, 9), 24.0),
    ],
)
def test_length_of_local_days(zone: str, date_: date, hours: float) -> None:
    noon = wall(zone, date_, time(12))
    stamp = noon.strftime("%m-%d %H:%M")
    (row,) = facts("coverage", fleet(zone, power=power(stamp, stamp, 1)))
    assert pick(row, "local_date", "day_s") == (date_, hours * 3600)


# ---- circuit_day ----


def test_on_time_is_cut_at_midnight_and_days_of_nothing_have_zeros() -> None:
    events = switch("06-20 23:00 on clock", "06-21 01:30 off", "06-23 12:00 off")
    rows = facts("circuit_day", fleet(switch=events))
    assert [pick(r, "starts", "on_s", "repeats", "own_wh") for r in rows] == [
        (1, 3600.0, 0, 1000.0),
        (0, 5400.0, 0, 1500.0),
        (0, 0.0, 0, 0.0),
        (0, 0.0, 1, 0.0),
    ]


def test_a_day_of_25_hours_can_hold_25_hours_of_running() -> None:
    events = switch("11-02 05:00 on", "11-03 08:00 off")  # Denver: 2 Nov from 06:00Z to 07:00Z
    rows = facts("circuit_day", fleet("America/Denver", switch=events))
    assert [pick(r, "local_date", "on_s") for r in rows] == [
        (day(11, 1), 3600.0),
        (day(11, 2), 90000.0),
        (day(11, 3), 3600.0),
    ]


def test_short_runs_and_rests_leave_out_hands_and_sheds() -> None:
    events = switch(
        "10:00 on clock", "10:01 off clock",  # short
        "10:02 on hand", "10:03 off clock",  # begun by hand: no short run, no short rest
        "10:04 on clock", "10:05 off shed",  # shed: no short run; its rest of 60 s is short
        "10:06 on clock", "10:07 off hand",  # ended by hand: no short run; its rest of 60 s is short
        "10:08 on clock", "10:18 off clock",  # 600 s is not under 600 s; the rest before was begun by hand
        "10:23 on clock",  # open: never short; a rest of 300 s is not under 300 s
    )  # fmt: skip
    made = fleet(switch=events, circuits=[circuit(min_run_s=600.0, min_rest_s=300.0)])
    (row,) = facts("circuit_day", made)
    assert pick(row, "starts", "short_runs", "short_rests") == (6, 1, 2)


def test_settings_are_those_of_the_day_in_either_style_of_valid_to() -> None:
    events = switch(
        "06-20 10:00 on",
        "06-20 10:01 off",
        "06-21 10:00 on",
        "06-21 10:01 off",
        "06-22 10:00 on",
        "06-22 10:01 off",
    )
    old, new = {"valid_to": day(6, 21), "min_run_s": 90.0}, {"min_run_s": 30.0}
    meeting = [circuit(**old), circuit(**new, valid_from=day(6, 21))]
    abutting = [circuit(**old), circuit(**new, valid_from=day(6, 22))]
    one_day = [circuit(min_run_s=90.0, valid_from=day(6, 21), valid_to=day(6, 21))]
    counts = [
        [r["short_runs"] for r in facts("circuit_day", fleet(switch=events, circuits=rows))]
        for rows in (meeting, abutting, one_day)
    ]
    assert counts == [[1, 0, 0], [1, 1, 0], [0, 1, 0]]


def test_starts_within_an_hour_and_a_minute_are_open_at_their_begin() -> None:
    events = switch(
        "10:00:00 on", "10:00:10 off", "10:00:30 on", "10:00:40 off", "10:01:00 on", "10:01:10 off",
        "10:01:20 on", "10:01:25 off", "11:00:00 on", "11:00:10 off",
    )  # fmt: skip
    (row,) = facts("circuit_day", fleet(switch=events))
    # (10:00, 11:00] holds 4; up to 10:01:20 there were 4; third within (t-60 s, t] only at 10:01:20
    assert pick(row, "starts", "max_starts_1h", "chatter") == (5, 4, 1)


def test_an_hour_reaches_back_over_midnight() -> None:
    events = switch("06-20 23:50 on", "06-20 23:51 off", "06-21 00:10 on", "06-21 00:11 off")
    assert [r["max_starts_1h"] for r in facts("circuit_day", fleet(switch=events))] == [1, 2]


def test_a_hand_hold_lasts_to_the_next_event_of_any_kind() -> None:
    events = switch("06-20 22:00 on hand", "06-20 23:00 on clock", "06-20 23:30 off hand", "06-21 02:00 off")
    assert [r["hand_s"] for r in facts("circuit_day", fleet(switch=events))] == [5400.0, 7200.0]
    to_the_horizon = fleet(switch=switch("10:00 off hand"), power=power("10:00", "11:00", 30))
    assert facts("circuit_day", to_the_horizon)[0]["hand_s"] == 5400.0


def test_bought_energy_is_the_lesser_of_own_and_import() -> None:
    samples = [
        *power("10:00", "10:00", 60, house=1500, pv=2000),  # exports 500: nothing bought
        *power("11:00", "11:00", 60, house=1500, pv=1200),  # imports 300; on all the hour: 300 Wh
        *power("12:00", "12:00", 60, house=2000, pv=0),  # imports 2000; on for half of it, 500 W: 500 Wh
    ]
    made = fleet(power=samples, switch=switch("10:00 on", "12:30 off"))
    assert pick(facts("circuit_day", made)[0], "own_wh", "grid_wh") == (2500.0, 800.0)


def test_bought_energy_is_not_known_where_on_time_is_not_covered() -> None:
    made = fleet(power=power("10:00", "11:00", 10), switch=switch("09:59:59 on", "10:30 off"))
    assert facts("circuit_day", made)[0]["grid_wh"] is None
    inside = fleet(power=power("10:00", "11:00", 10), switch=switch("10:00 on", "10:30 off"))
    assert facts("circuit_day", inside)[0]["grid_wh"] == 250.0  # house 500 W, all imported


def test_a_meter_comes_before_the_rated_power() -> None:
    made = fleet(
        power=power("10:00", "11:30", 30, house=3000),
        meter=meter("10:00", "10:30", 15, 800.0),
        switch=switch("10:00 on", "12:00 off"),
    )
    (row,) = facts("circuit_day", made)
    # meter: three samples of 15 min; import covers all: samples 10:00 and 10:30 by the meter, then rated
    assert pick(row, "own_wh", "grid_wh") == (600.0, 1800.0)


def test_without_rated_power_energy_is_known_only_of_a_circuit_that_is_off() -> None:
    unknown = [circuit(rated_w=None)]
    on = fleet(circuits=unknown, power=power("10:00", "11:00", 10), switch=switch("10:00 on", "10:30 off"))
    off = fleet(circuits=unknown, power=power("10:00", "11:00", 10))
    assert pick(facts("circuit_day", on)[0], "own_wh", "grid_wh") == (None, None)
    assert pick(facts("circuit_day", off)[0], "own_wh", "grid_wh") == (0.0, 0.0)


# ---- controller_day ----


def test_lost_numbers_are_dated_by_the_event_after_the_hole() -> None:
    events = switch("06-20 10:00 on #7", "06-20 11:00 off #8") + switch("06-21 10:00 on #12", circuit="d")
    both = [circuit(), circuit(circuit_id="d")]
    rows = facts("controller_day", fleet(switch=events, circuits=both))
    assert [pick(r, "events", "lost_events", "resets", "last_seq") for r in rows] == [
        (2, 0, 0, 8),
        (1, 3, 0, 12),
    ]


def test_a_number_that_goes_back_is_a_restart_and_events_without_one_are_passed_over() -> None:
    events = switch(
        "10:00 on #900", "10:10 off", "10:20 on #902", "10:30 off #1", "10:40 on #1", "10:50 off #2"
    )
    (row,) = facts("controller_day", fleet(switch=events))
    assert pick(row, "events", "lost_events", "resets") == (6, 1, 1)


def test_firmware_is_the_newest_at_the_days_end() -> None:
    reports = [
        StatusReport("s", "k", at("06-20 23:59"), "1.0"),
        StatusReport("s", "k", at("06-21 12:00"), None),
        StatusReport("s", "k", at("06-22 00:00"), "2.0"),
    ]
    rows = facts("controller_day", fleet(status=reports))
    assert [r["firmware"] for r in rows] == ["1.0", "1.0", "2.0"]
