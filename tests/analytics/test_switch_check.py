"""Steps beside switch events, worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from load_days import Load, facts_of, samples, wiggled, without
from reference.coverage import Fact
from reference.rows import CircuitRow, PowerSample
from reference.small import at, circuit, fleet, meter, switch

ON: Load = ("10:03:20", "12:00:30", 1000.0)
EVENTS = switch("10:03:20 on clock", "12:00:30 off clock")


def checks(power: list[PowerSample], events: list[Any], **more: Any) -> list[Fact]:
    return facts_of(fleet(power=power, switch=events, **more), "switch_check")["switch_check"]


def one(power: list[PowerSample], events: list[Any], **more: Any) -> Fact:
    return checks(power, events, **more)[0]


def test_a_clean_step_of_a_minute_log() -> None:
    closing, opening = checks(samples("08:00", "14:00", 1, 500, ON), EVENTS)
    assert (closing["ts"], closing["closed"], closing["metered"]) == (at("10:03:20"), True, False)
    assert (closing["before_w"], closing["after_w"], closing["step_w"]) == (500.0, 1500.0, 1000.0)
    assert (closing["noise_w"], closing["expected_w"], closing["learned"]) == (0.0, 1000.0, False)
    assert (closing["swing_w"], closing["side_swing_w"]) == (0.0, 0.0)
    assert closing["verdict"] == "seen"
    assert (opening["closed"], opening["step_w"], opening["verdict"]) == (False, -1000.0, "seen")


def test_noise_is_the_scaled_median_deviation_from_the_level_of_each_side() -> None:
    # From the minute of the event back and on: deviations 20, 10, 0, 10, 20 W on either side; their median is
    # 10 W, times 1.4826. The event's own sample (10:03) is the fourth of each five and is left out.
    rows = wiggled(samples("09:58", "10:09", 1, 500, ("10:03:20", "11:00", 1000)), [-20, -10, 0, 10, 20])
    rows[5] = replace(rows[5], house_w=9999.0)
    rows[6:] = wiggled(samples("10:04", "10:09", 1, 1500), [-20, -10, 0, 10, 20])
    found = one(rows, EVENTS[:1])
    assert found["step_w"] == 1000.0
    assert found["noise_w"] == pytest.approx(14.826)
    # the last sample before, 10:02, is 20 W over its level of 500 W, the first after 20 W under its of 1500 W
    assert (found["swing_w"], found["side_swing_w"], found["jump_w"]) == (9999.0 - 1500.0, 20.0, 960.0)


@pytest.mark.parametrize(
    ("since", "swing", "beside"),
    [
        ("12:00:30", 0, 0),  # in the same second: nothing shows
        ("12:00:27", 50, 0),  # 3 s with both on, in a sample of 60 s
        ("12:00:36", 100, 0),  # 6 s with neither
        ("11:58:00", 500, 1000),  # both on for two whole samples before, and half of that of the opening
        ("12:02:00", 500, 1000),
    ],
)
def test_a_load_that_takes_over_leaves_a_bump_or_a_dip_unless_in_the_same_second(
    since: str, swing: float, beside: float
) -> None:
    found = checks(samples("08:00", "14:00", 1, 500, ON, (since, "13:50", 1000.0)), EVENTS)[1]
    assert (found["step_w"], found["verdict"]) == (0.0, "absent")
    assert found["swing_w"] == pytest.approx(swing)
    assert found["side_swing_w"] == pytest.approx(beside)


@pytest.mark.parametrize(
    ("watts", "verdict"),
    [(500, "seen"), (499, "unclear"), (200, "unclear"), (199, "absent"), (0, "absent"), (-1000, "absent")],
)
def test_half_of_the_rating_is_seen_and_under_a_fifth_is_absent(watts: float, verdict: str) -> None:
    found = one(samples("08:00", "14:00", 1, 2500, ("10:03:20", "12:00:30", watts)), EVENTS)
    assert (found["step_w"], found["verdict"]) == (watts, verdict)


def test_a_noisy_house_hides_the_lack_of_a_step() -> None:
    quiet = one(wiggled(samples("08:00", "14:00", 1, 2500), [-112, 0, 112]), EVENTS)
    loud = one(wiggled(samples("08:00", "14:00", 1, 2500), [-113, 0, 113]), EVENTS)
    assert quiet["noise_w"] == pytest.approx(1.4826 * 112)  # x 3 = 498 W, under half of the rating
    assert (quiet["verdict"], loud["verdict"]) == ("absent", "unclear")


@pytest.mark.parametrize(
    ("other", "rows"),
    [
        ("09:59:59", 1),  # 10:00, 10:01, 10:02 are clean: three
        ("10:00:00", 0),
        ("10:03:00", 0),  # in the same sample
        ("10:03:20", 0),  # at the same instant
        ("10:03:59", 0),
        ("10:06:59", 0),  # 10:04 and 10:05 are clean, 10:06 is not
        ("10:07:00", 1),
    ],
)
def test_three_clean_samples_are_needed_on_either_side(other: str, rows: int) -> None:
    events = EVENTS[:1] + switch(f"{other} on", circuit="d")
    more = [circuit(), circuit(circuit_id="d")]
    found = checks(samples("08:00", "14:00", 1, 500, ON), events, circuits=more)
    assert len([row for row in found if row["circuit_id"] == "c"]) == rows


def test_repeats_of_another_circuit_touch_nothing() -> None:
    events = EVENTS[:1] + switch("10:02:30 off", circuit="d")
    found = checks(
        samples("08:00", "14:00", 1, 500, ON), events, circuits=[circuit(), circuit(circuit_id="d")]
    )
    assert [row["verdict"] for row in found] == ["seen"]


@pytest.mark.parametrize(("run", "rows"), [("10:06:59", 0), ("10:07:00", 1)])
def test_its_own_next_event_ends_the_side_too(run: str, rows: int) -> None:
    power = samples("08:00", "14:00", 1, 500, ("10:03:20", run, 1000))
    found = checks(power, switch("10:03:20 on", f"{run} off"))
    assert len([row for row in found if row["closed"]]) == rows


@pytest.mark.parametrize(("minutes", "first_clean"), [(5, "09:45"), (15, "09:15")])
def test_longer_samples_take_three_either_side(minutes: int, first_clean: str) -> None:
    load = ("10:03:20", "12:00:30", 1000.0)
    rows = samples("08:00", "14:00", minutes, 500, load)
    assert one(rows, EVENTS)["step_w"] == 1000.0
    more = [circuit(), circuit(circuit_id="d")]
    touched = EVENTS + switch(f"{first_clean} on", circuit="d")
    assert [row["closed"] for row in checks(rows, touched, circuits=more) if row["circuit_id"] == "c"] == [
        False
    ]


def test_ten_second_samples_need_three_minutes() -> None:
    rows = samples("09:50", "10:20", 1 / 6, 500, ("10:03:20", "10:06:00", 1000))
    short = checks(rows, switch("10:03:20 on", "10:06:00 off"))
    assert short == []
    rows = samples("09:50", "10:20", 1 / 6, 500, ("10:03:20", "10:06:30", 1000))
    assert [row["step_w"] for row in checks(rows, switch("10:03:20 on", "10:06:30 off"))] == [1000.0, -1000.0]


def test_a_hole_parts_what_lies_behind_it() -> None:
    rows = samples("08:00", "14:00", 1, 500, ON)
    near = without(rows, *(f"10:{m:02}" for m in (5, 6, 7, 8)))  # 10:04 covers three minutes, then a hole
    far = without(rows, *(f"10:{m:02}" for m in (7, 8, 9, 10)))
    assert [row["closed"] for row in checks(near, EVENTS)] == [False]
    assert [row["closed"] for row in checks(far, EVENTS)] == [True, False]


def test_an_event_in_a_hole_has_no_row() -> None:
    rows = without(samples("08:00", "14:00", 1, 500, ON), *(f"10:{m:02}" for m in range(10)))
    assert [row["closed"] for row in checks(rows, EVENTS)] == [False]


def test_house_power_from_the_balance() -> None:
    rows = [
        replace(row, house_w=None, grid_w=(row.house_w or 0) - 300, pv_w=300.0)
        for row in samples("08:00", "14:00", 1, 500, ON)
    ]
    assert [row["step_w"] for row in checks(rows, EVENTS)] == [1000.0, -1000.0]


def test_a_circuit_with_a_meter_is_told_by_it() -> None:
    power = samples("08:00", "14:00", 1, 500)
    own = meter("09:50", "10:03", 1, 2.0) + meter("10:04", "10:20", 1, 802.0)
    events = EVENTS[:1] + switch("10:02:30 on", circuit="d")  # in the house's way, not in the meter's
    more = [circuit(), circuit(circuit_id="d")]
    found = [r for r in checks(power, events, circuits=more, meter=own) if r["circuit_id"] == "c"]
    assert [(r["metered"], r["step_w"], r["verdict"]) for r in found] == [(True, 800.0, "seen")]


def test_without_a_rating_nothing_is_expected() -> None:
    found = one(samples("08:00", "14:00", 1, 500, ON), EVENTS, circuits=[circuit(rated_w=None)])
    assert (found["step_w"], found["expected_w"], found["verdict"]) == (1000.0, None, "unclear")


def june(days: range, watts: float, circuits: list[CircuitRow] | None = None) -> list[Fact]:
    """A run at noon on each of these days of June, all of `watts` but the last, of 350 W; rated 1000 W."""
    loads: list[Load] = []
    events = []
    for d in days:
        size = 350.0 if d == days[-1] else watts
        loads.append((f"06-{d:02} 12:00", f"06-{d:02} 13:00", size))
        events += switch(f"06-{d:02} 12:00 on", f"06-{d:02} 13:00 off")
    power = [
        row
        for d in days
        for row in samples(
            f"06-{d:02} 11:30", f"06-{d:02} 13:30", 5, 500, *(x for x in loads if x[0][3:5] == f"{d:02}")
        )
    ]
    return [row for row in checks(power, events, circuits=circuits or [circuit()]) if row["closed"]]


def test_eight_own_steps_take_the_place_of_the_rating() -> None:
    few, enough = june(range(1, 9), 600), june(range(1, 10), 600)
    assert [(row["expected_w"], row["learned"]) for row in few] == [(1000.0, False)] * 8
    assert few[-1]["verdict"] == "unclear"  # 350 of 1000 W
    assert (enough[-1]["expected_w"], enough[-1]["learned"]) == (600.0, True)
    assert enough[-1]["verdict"] == "seen"  # 350 of 600 W
    assert [row["learned"] for row in enough[:-1]] == [False] * 8


def test_a_load_that_is_gone_is_not_learned() -> None:
    found = june(range(1, 30), 0)
    assert {(row["expected_w"], row["learned"]) for row in found} == {(1000.0, False)}
    assert {row["verdict"] for row in found[:-1]} == {"absent"}


def test_steps_of_more_than_28_days_ago_are_forgotten() -> None:
    loads: list[Load] = []
    events = []
    days = [f"05-{d:02}" for d in range(1, 9)] + ["05-29", "06-05"]  # 28 days after 1 May, and after 8 May
    power: list[PowerSample] = []
    for d in days:
        loads = [(f"{d} 12:00", f"{d} 13:00", 600.0)]
        events += switch(f"{d} 12:00 on", f"{d} 13:00 off")
        power += samples(f"{d} 11:30", f"{d} 13:30", 5, 500, *loads)
    found = {row["local_date"].isoformat(): row["learned"] for row in checks(power, events) if row["closed"]}
    assert found["2025-05-29"] is True  # eight steps, from 1 to 8 May
    assert found["2025-06-05"] is False  # two: 8 and 29 May
