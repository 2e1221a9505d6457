"""Openings that may have left a load on, worked out by hand: a pump of 1500 W, closed at 08:15, opened at "
"11:00:20."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from load_days import Load, facts_of, samples, without
from reference.coverage import Fact
from reference.rows import MeterSample, PowerSample
from reference.small import at, circuit, fleet, meter, switch

EVENTS = switch("08:15:10 on clock", "11:00:20 off clock")
PUMP = circuit(rated_w=1500.0)


def openings(power: list[PowerSample], events: list[Any], **more: Any) -> list[Fact]:
    made = fleet(power=power, switch=events, **{"circuits": [PUMP], **more})
    return facts_of(made, "stay_on")["stay_on"]


def house(*loads: Load, minutes: float = 1) -> list[PowerSample]:
    return samples("06:00", "16:00", minutes, 300, *loads)


def test_contacts_that_stick_for_two_hours() -> None:
    (found,) = openings(house(("08:15:10", "13:00", 1500)), EVENTS)
    assert (found["kind"], found["ts"], found["closing_ts"]) == ("house", at("11:00:20"), at("08:15:10"))
    assert (found["rise_w"], found["floor_w"], found["minutes"]) == (1500.0, 1500.0, 30.0)
    assert (found["expected_w"], found["verdict"]) == (1500.0, "stays_on")


def test_contacts_that_open_leave_no_row() -> None:
    assert openings(house(("08:15:10", "11:00:20", 1500)), EVENTS) == []


@pytest.mark.parametrize(("until", "rows"), [("11:30:20", 0), ("11:31", 1)])
def test_it_must_stay_on_for_half_an_hour_after_the_sample_of_the_opening(until: str, rows: int) -> None:
    assert len(openings(house(("08:15:10", until, 1500)), EVENTS)) == rows


def test_a_thermostat_that_opened_before_is_not_stuck() -> None:
    """The house is up again at the opening, by something else that came on at 10:00."""
    found = openings(house(("08:15:10", "09:30", 1500), ("10:00", "14:00", 1400)), EVENTS)
    assert [(row["floor_w"], row["verdict"]) for row in found] == [(0.0, "opened_itself")]


def test_a_thermostat_that_opened_and_nothing_else_leaves_no_row() -> None:
    assert openings(house(("08:15:10", "09:30", 1500)), EVENTS) == []


def test_another_circuit_that_came_on_meanwhile_explains_the_power() -> None:
    more = {"circuits": [PUMP, circuit(circuit_id="d", rated_w=3000.0)]}
    loads: list[Load] = [("08:15:10", "09:30", 1500), ("09:00", "14:00", 3000)]
    events = EVENTS + switch("09:00 on", "14:00 off", circuit="d")
    assert openings(house(*loads), events, **more) == []
    stuck: list[Load] = [("08:15:10", "13:00", 1500), ("09:00", "14:00", 3000)]
    (found,) = openings(house(*stuck), events, **more)
    assert (found["rise_w"], found["verdict"]) == (1500.0, "stays_on")


def test_another_circuit_without_a_rating_leaves_it_open() -> None:
    more = {"circuits": [PUMP, circuit(circuit_id="d", rated_w=None)]}
    events = EVENTS + switch("09:00 on", "14:00 off", circuit="d")
    assert openings(house(("08:15:10", "13:00", 1500)), events, **more) == []


def test_a_rise_in_the_minute_of_the_opening_is_unclear() -> None:
    found = openings(house(("08:15:10", "11:00:20", 1500), ("11:00:20", "14:00", 2500)), EVENTS)
    assert [(row["rise_w"], row["verdict"]) for row in found] == [(2500.0, "unclear")]


def test_another_circuit_closing_in_the_same_minute_is_unclear() -> None:
    more = {"circuits": [PUMP, circuit(circuit_id="d", rated_w=100.0)]}
    events = EVENTS + switch("11:00:50 on", "14:00 off", circuit="d")
    found = openings(house(("08:15:10", "13:00", 1500)), events, **more)
    assert [row["verdict"] for row in found] == ["unclear"]


def test_a_closing_that_was_not_seen_proves_nothing() -> None:
    """The pump drew nothing: what is on after the opening came on by itself during the run."""
    found = openings(house(("09:30", "14:00", 1500)), EVENTS)
    assert found == []


def test_closed_again_within_the_half_hour() -> None:
    events = EVENTS + switch("11:10 on", "12:00 off")
    found = openings(house(("08:15:10", "12:00", 1500)), events)
    assert [row["ts"] for row in found] == []


def test_a_hole_within_the_half_hour() -> None:
    rows = without(house(("08:15:10", "13:00", 1500)), *(f"11:{m}" for m in range(12, 20)))
    assert openings(rows, EVENTS) == []


def test_quarter_hours_are_too_coarse_to_be_sure() -> None:
    found = openings(house(("08:15:10", "13:00", 1500), minutes=15), EVENTS)
    assert [row["verdict"] for row in found] == ["unclear"]
    found = openings(house(("08:15:10", "13:00", 1500), minutes=5), EVENTS)
    assert [row["verdict"] for row in found] == ["stays_on"]


def test_five_minute_samples_are_looked_at_for_an_hour() -> None:
    short = openings(house(("08:15:10", "12:00", 1500), minutes=5), EVENTS)  # the opening's sample ends 11:05
    long = openings(house(("08:15:10", "12:05", 1500), minutes=5), EVENTS)
    assert short == []
    assert [(row["minutes"], row["verdict"]) for row in long] == [(60.0, "stays_on")]


@pytest.mark.parametrize(("watts", "verdict"), [(1650, "stays_on"), (1651, "unclear"), (1349, "unclear")])
def test_a_load_that_takes_over_in_the_same_minute_may_differ_by_a_tenth(watts: float, verdict: str) -> None:
    found = openings(house(("08:15:10", "11:00:20", 1500), ("11:00:20", "14:00", watts)), EVENTS)
    assert [row["verdict"] for row in found] == [verdict]


def test_a_run_over_midnight() -> None:
    events = switch("06-19 22:15:10 on", "06-20 01:00:20 off")
    power = samples("06-19 12:00", "06-20 12:00", 1, 300, ("06-19 22:15:10", "06-20 03:00", 1500))
    (found,) = openings(power, events)
    assert (found["local_date"].day, found["verdict"]) == (20, "stays_on")


def metered(*parts: tuple[str, str, float]) -> list[MeterSample]:
    return [row for first, last, watts in parts for row in meter(first, last, 1, watts)]


def by_meter(own: list[MeterSample], events: list[Any], **more: Any) -> list[Fact]:
    return openings(house(), events, meter=own, **more)


def test_a_meter_that_draws_on_after_the_opening() -> None:
    own = metered(("08:00", "08:14", 1), ("08:15", "11:20", 1490), ("11:21", "12:00", 1))
    (found,) = by_meter(own, EVENTS)
    assert (found["kind"], found["ts"], found["minutes"]) == ("meter", at("11:01"), 20.0)
    assert (found["rise_w"], found["expected_w"], found["verdict"]) == (1490.0, 1500.0, "stays_on")


@pytest.mark.parametrize(
    ("last", "watts", "rows"), [("11:04", 1490, 0), ("11:05", 1490, 1), ("11:20", 299, 0), ("11:20", 300, 1)]
)
def test_five_minutes_and_a_fifth_of_the_rating(last: str, watts: float, rows: int) -> None:
    own = metered(("08:15", "11:00", 1490), ("11:01", "12:00", 1))
    own = [replace(row, circuit_w=watts) if at("11:01") <= row.ts <= at(last) else row for row in own]
    assert len(by_meter(own, EVENTS)) == rows


def test_draw_that_follows_no_opening_waits_for_the_controller_to_be_heard_again() -> None:
    """Or else: the switch log ends at 11:00 while the meter's goes on, and a run of the afternoon is not "
    "known yet."""
    own = metered(
        ("08:15", "11:00", 1490), ("11:01", "13:59", 1), ("14:00", "15:00", 1490), ("15:01", "15:30", 1)
    )
    (waiting,) = by_meter(own, EVENTS)
    assert (waiting["ts"], waiting["verdict"]) == (at("14:00"), "unclear")
    (heard,) = by_meter(own, EVENTS + switch("15:20 on"))
    assert heard["verdict"] == "stays_on"


def test_before_its_first_event_a_circuit_may_well_be_on() -> None:
    own = metered(("06:00", "07:30", 1490), ("07:31", "08:14", 1))
    assert by_meter(own, switch("07:30 off", "09:00 on", "10:00 off")) == []
