"""What a house draws while none of its switched circuits is on, by hand and by a plain reading."""

from __future__ import annotations

import pytest
from crowded_home import crowded
from load_days import facts_in_parts, facts_of, samples
from reference.balance import house_w
from reference.coverage import Fact
from reference.rows import Fleet
from reference.site_view import site_views
from reference.small import fleet, switch
from reference.spans import overlap, seconds


def test_samples_that_a_run_touches_are_left_out() -> None:
    # 300 W all day; 1500 W more from 10:00 to 12:00, and a kettle of 1200 W for an hour while it is off.
    day = samples("06-20 00:00", "06-21 00:00", 15, 300, ("10:00", "12:00", 1500), ("15:00", "16:00", 1200))
    made = fleet(power=day, switch=switch("10:05 on", "12:00 off"))
    (found,) = facts_of(made, "house_rest")["house_rest"]
    assert found["rest_s"] == 22 * 3600.0
    assert found["rest_w"] == pytest.approx((21 * 300 + 1500) / 22)


def test_a_day_with_the_circuit_on_throughout_has_no_row() -> None:
    made = fleet(power=samples("06-20 00:00", "06-21 00:00", 15, 300), switch=switch("06-19 10:00 on"))
    assert facts_of(made, "house_rest")["house_rest"] == []


def plain(made: Fleet) -> list[Fact]:
    """`house_rest` of a fleet."""
    found = []
    for site in site_views(made):
        for day in site.days:
            quiet = [
                (house, seconds(sample.length))
                for sample in site.power
                if sample.day == day
                and (house := house_w(sample.row)) is not None
                and not any(overlap(c.run_spans, sample.ts, sample.end) for c in site.circuits)
            ]
            whole = sum(length for _, length in quiet)
            if whole:
                mean = sum(house * length for house, length in quiet) / whole
                told: Fact = {"site_id": site.site.site_id, "local_date": day}
                found.append(told | {"rest_s": whole, "rest_w": mean})
    return found


@pytest.mark.parametrize(("seed", "days"), [(41, 4), (42, 6)])
def test_days_at_rest_equal_the_plain_reading(seed: int, days: int) -> None:
    made = crowded(seed, days)
    got, expected = facts_in_parts([made], "house_rest")["house_rest"], plain(made)
    assert len(expected) >= 3
    for found, row in zip(got, expected, strict=True):
        assert (found["local_date"], found["rest_s"]) == (row["local_date"], row["rest_s"])
        assert found["rest_w"] == pytest.approx(row["rest_w"], abs=0.051)  # parts are rounded to 0.1 W
