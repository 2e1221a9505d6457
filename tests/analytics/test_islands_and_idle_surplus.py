"""Islands, unused surplus, clock starts and the sun as a clock, worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from math import pi, sin
from typing import Any

import pytest
from load_days import facts_of, samples
from reference.coverage import Fact
from reference.rows import PowerSample
from reference.small import at, circuit, fleet, switch, window


def power(
    first: str, last: str, minutes: float = 1, pv: float = 0, islanded: bool = False
) -> list[PowerSample]:
    return samples(first, last, minutes, 500, pv=float(pv), islanded=islanded)


def outage(first: str, last: str, minutes: float = 1) -> list[PowerSample]:
    """A day of samples, apart from the grid from `first` to `last`."""
    return [
        replace(row, islanded=at(first) <= row.ts < at(last))
        for row in power("06-20 00:00", "06-21 00:00", minutes)
    ]


def island_facts(events: list[Any], rows: list[PowerSample]) -> dict[str, list[Fact]]:
    return facts_of(fleet(power=rows, switch=events), "island", "island_run")


def test_an_island_and_what_was_on_in_it() -> None:
    found = island_facts(switch("10:00 on clock", "12:00 off"), outage("11:00", "11:45"))
    (island,) = found["island"]
    assert (island["start"], island["end"], island["duration_s"]) == (at("11:00"), at("11:45"), 2700.0)
    (run,) = found["island_run"]
    assert (run["on_from"], run["on_s"], run["by_hand"]) == (at("11:00"), 45 * 60.0, False)


def test_of_a_run_that_ends_in_the_island_its_first_sample_is_left_out() -> None:
    (run,) = island_facts(switch("10:00 on", "11:10 off"), outage("11:00", "11:45"))["island_run"]
    assert (run["on_from"], run["on_s"]) == (at("11:01"), 9 * 60.0)
    through = island_facts(switch("10:00 on", "12:00 off"), outage("11:00", "11:30", 15))["island_run"]
    single = island_facts(switch("10:00 on", "12:00 off"), outage("11:00", "11:15", 15))["island_run"]
    assert [run["on_s"] for run in through] == [1800.0]
    assert single == []


def test_a_circuit_shed_in_the_first_sample_was_not_on() -> None:
    assert island_facts(switch("10:00 on", "11:00:59 off shed"), outage("11:00", "11:45"))["island_run"] == []
    assert (
        island_facts(switch("10:00 on", "11:14 off shed"), outage("11:00", "11:45", 15))["island_run"] == []
    )


def test_a_hand_that_closes_in_the_island_is_told_apart() -> None:
    events = switch("10:00 on hand", "11:10 off", "11:20 on hand", "12:00 off")
    found = island_facts(events, outage("11:00", "11:45"))["island_run"]
    assert {(run["by_hand"], run["on_s"]) for run in found} == {(False, 9 * 60.0), (True, 24 * 60.0)}


def test_an_island_over_midnight_is_cut_there_and_the_hand_that_closed_in_it_is_kept_in_mind() -> None:
    rows = [
        replace(row, islanded=at("06-20 23:00") <= row.ts < at("06-21 01:00"))
        for row in power("06-20 12:00", "06-21 12:00")
    ]
    found = island_facts(switch("06-20 23:30 on hand", "06-21 02:00 off"), rows)
    assert [(i["local_date"].day, i["duration_s"]) for i in found["island"]] == [(20, 3600.0), (21, 3600.0)]
    spans = [(run["local_date"].day, run["by_hand"], run["on_s"]) for run in found["island_run"]]
    assert spans == [(20, True, 1800.0), (21, True, 3540.0)]


SURPLUS = circuit(surplus_on_w=1500.0, min_rest_s=600.0)


def sunny(*parts: tuple[str, str, float]) -> list[PowerSample]:
    """House power 500 W all day; generation as given, 0 else."""
    rows = power("06-20 00:00", "06-21 00:00")
    for first, last, pv in parts:
        rows = [replace(r, pv_w=pv) if at(first) <= r.ts < at(last) else r for r in rows]
    return rows


def idle(rows: list[PowerSample], events: list[Any], **more: Any) -> Fact:
    made = fleet(power=rows, switch=events, **{"circuits": [SURPLUS], **more})
    return facts_of(made, "idle_surplus")["idle_surplus"][0]


def test_surplus_of_a_tenth_over_the_on_level() -> None:
    found = idle(sunny(("10:00", "11:00", 2150), ("12:00", "13:00", 2149)), [])  # 1650 W and 1649 W to spare
    assert (found["idle_surplus_s"], found["stretches"], found["first_ts"]) == (3600.0, 1, at("10:00"))
    assert found["idle_surplus_wh"] == 1000.0  # of 1650 W it could have used its rated 1000


def test_stretches_under_ten_minutes_do_not_count() -> None:
    found = idle(sunny(("10:00", "10:09", 4000), ("12:00", "12:10", 4000)), [])
    assert (found["idle_surplus_s"], found["stretches"]) == (600.0, 1)


def test_running_resting_held_and_locked_out_are_no_idling() -> None:
    sun = sunny(("10:00", "14:00", 4000))
    assert idle(sun, [])["idle_surplus_s"] == 4 * 3600.0
    held = idle(sun, switch("09:00 on", "09:30 off hand", "11:30 off clock"))
    assert held["idle_surplus_s"] == 2.5 * 3600
    shed = idle(sun, switch("09:00 on", "09:30 off shed", "11:30 off clock"))
    assert shed["idle_surplus_s"] == 2.5 * 3600
    locked = idle(sun, [], windows=[window("11:00", "13:00", kind="lockout")])
    assert locked["idle_surplus_s"] == 2 * 3600.0


def test_the_sample_in_which_it_runs_or_rests_is_left_out() -> None:
    """On from 11:00:30 to 11:59:30, rested at 12:09:30: idle until 11:00 and from 12:10."""
    found = idle(sunny(("10:00", "14:00", 4000)), switch("11:00:30 on surplus", "11:59:30 off surplus"))
    assert found["idle_surplus_s"] == 3600.0 + 110 * 60


SUN = sunny(("10:00", "14:00", 4000))


def held(found: Fact) -> tuple[Any, ...]:
    """Begin of the longest hold, how long it stood; surplus under it: s, Wh, stretches, begin."""
    names = ("held_since", "held_s", "held_surplus_s", "held_surplus_wh", "held_stretches", "held_first_ts")
    return tuple(found[name] for name in names)


def test_surplus_under_a_hold_of_days() -> None:
    """Off by hand at 09:30 two days before: 62.5 h by the end of the 20th, and 1000 of 3500 W unused."""
    found = idle(SUN, switch("06-18 09:00 on", "06-18 09:30 off hand"))
    assert held(found) == (at("06-18 09:30"), 62.5 * 3600, 4 * 3600.0, 4000.0, 1, at("10:00"))
    assert (found["idle_surplus_s"], found["idle_surplus_wh"], found["stretches"]) == (0.0, 0.0, 0)


def test_a_hold_that_ends_within_the_day_leaves_the_rest_to_idling() -> None:
    """Taken back at 11:30:30: the minute from 11:30 belongs to neither."""
    found = idle(SUN, switch("06-19 09:00 on", "06-19 09:30 off hand", "11:30:30 off clock"))
    assert held(found) == (at("06-19 09:30"), 26 * 3600 + 30.0, 1.5 * 3600, 1500.0, 1, at("10:00"))
    assert found["idle_surplus_s"] == 2.5 * 3600 - 60


def test_under_a_hold_too_it_must_have_rested_and_be_in_no_lockout() -> None:
    """Off by hand at 10:00, rested at 10:10, locked out from 11:00 to 13:00; at 13:52 it is shed."""
    events = switch("09:00 on", "10:00 off hand", "13:52 off shed")
    found = idle(SUN, events, windows=[window("11:00", "13:00", kind="lockout")])
    assert held(found)[:3] == (at("10:00"), 3 * 3600 + 52 * 60.0, (50 + 52) * 60.0)
    assert (found["held_stretches"], found["idle_surplus_s"]) == (2, 0.0)


def test_of_two_holds_the_one_that_stood_longer_counts() -> None:
    events = switch("06-19 09:00 on", "06-19 09:30 off hand", "10:30 on clock", "11:00 off hand", "13:00 on")
    found = idle(SUN, events)
    assert held(found)[:3] == (at("06-19 09:30"), 25 * 3600.0, 1800.0)


def test_on_by_hand_and_stretches_under_ten_minutes_hold_back_nothing() -> None:
    assert held(idle(SUN, switch("09:00 on hand", "23:00 off clock"))) == (None, None, 0.0, 0.0, 0, None)
    short = idle(sunny(("10:00", "10:09", 4000)), switch("09:00 on", "09:30 off hand"))
    assert held(short) == (at("09:30"), 14.5 * 3600, 0.0, 0.0, 0, None)


def test_no_row_with_an_island_or_without_an_on_level() -> None:
    rows = [replace(r, pv_w=4000.0) for r in outage("11:00", "11:05")]
    made = fleet(power=rows, circuits=[SURPLUS])
    assert facts_of(made, "idle_surplus")["idle_surplus"] == []
    made = fleet(power=sunny(("10:00", "14:00", 4000)), circuits=[circuit()])
    assert facts_of(made, "idle_surplus")["idle_surplus"] == []


def clock_starts(events: list[Any], zone: str = "Etc/UTC", **more: Any) -> list[Fact]:
    made = fleet(zone, power=[], switch=events, **more)
    return facts_of(made, "clock_start")["clock_start"]


def test_distance_to_the_nearest_begin_of_a_run_window_or_end_of_a_lockout() -> None:
    windows = [window("10:00", "12:00"), replace(window("17:00", "21:00", kind="lockout"), window_id="k")]
    events = switch(
        "09:20 on clock", "09:50 off", "12:00 on clock", "13:00 off", "20:30 on clock", "22:00 off hand"
    )
    found = [(row["ts"], row["due_ts"], row["offset_s"]) for row in clock_starts(events, windows=windows)]
    assert found == [
        (at("09:20"), at("10:00"), -2400.0),
        (at("12:00"), at("10:00"), 7200.0),  # the end of a run window starts nothing
        (at("20:30"), at("21:00"), -1800.0),
    ]


def test_only_starts_by_the_clock() -> None:
    assert clock_starts(switch("10:00 on hand", "11:00 off"), windows=[window("10:00", "12:00")]) == []


def test_a_window_that_leaves_the_time_open_says_nothing_of_the_clock() -> None:
    events = switch("08:00 on clock", "09:00 off", "13:00 on clock", "14:00 off")
    found = clock_starts(events, windows=[window("10:00", "16:00", need_minutes=60)])
    assert [row["offset_s"] for row in found] == [-7200.0, None]


def test_a_window_of_the_next_day_can_be_the_nearest() -> None:
    found = clock_starts(switch("23:20 on clock", "23:50 off"), windows=[window("00:10", "04:00")])
    assert [row["offset_s"] for row in found] == [-3000.0]


def test_a_controller_that_does_not_follow_daylight_saving() -> None:
    """Denver's clocks went forward on 9 March 2025: 23:00 is 06:00 UTC before, 05:00 after; this one "
    "keeps 06:00."""
    events = switch(
        *(f"03-{d:02} 06:00 {s}" for d, s in ((9, "on clock"), (10, "off"), (11, "on clock"), (12, "off")))
    )
    events += switch("03-18 06:00 on clock")
    found = clock_starts(events, "America/Denver", windows=[window("23:00", "05:00")])
    assert [(row["local_date"].day, row["offset_s"], row["shift_s"]) for row in found] == [
        (8, 0.0, 0.0),
        (11, 3600.0, 3600.0),
        (18, 3600.0, 0.0),
    ]
    assert [row["transition"] for row in found] == [False, True, False]


def test_windows_changed_in_the_registry_are_marked_for_a_week() -> None:
    old = window("10:00", "12:00", valid_to=at("06-10 00:00").date())
    new = window("11:00", "13:00", valid_from=at("06-11 00:00").date())
    events = switch(
        *(f"06-{d:02} {h}:00 {s}" for d in range(9, 20) for h, s in ((11, "on clock"), (12, "off")))
    )
    found = clock_starts(events, windows=[old, new])
    changed = [row["local_date"].day for row in found if row["windows_changed"]]
    assert changed == list(range(10, 18))


@pytest.mark.parametrize("late_h", [0, 1])
def test_the_sun_tells_a_log_whose_clock_is_off(late_h: int) -> None:
    """Generation as a half sine from 06:00 to 18:00 true solar time, at longitude 0; the log an hour late "
    "or not."""
    rows = []
    for row in samples("06-20 00:00", "06-21 00:00", 5, 500):
        hour = row.ts.hour + (row.ts.minute + 2.5) / 60 - late_h  # the middle of the sample
        rows.append(replace(row, pv_w=3000 * max(0.0, sin(pi * (hour - 6) / 12))))
    made = fleet(power=rows)
    made.sites[0] = replace(made.sites[0], latitude=35.0, longitude=0.0)
    (found,) = facts_of(made, "solar_clock")["solar_clock"]
    equation_of_time_s = -90.0  # 20 June: the sun culminates about a minute and a half after 12:00 mean time
    assert found["offset_s"] == pytest.approx(3600 * late_h + equation_of_time_s, abs=30)
    assert found["quality"] == pytest.approx(1.0, abs=0.01)
