"""What a visit checks and brings, from the cases of a site."""

from __future__ import annotations

import polars as pl
import pytest
from coilbook.analytics.callout import (
    ALWAYS,
    ASKS,
    BY_NAME,
    CHECKS,
    CONTACTOR,
    KIT,
    STAGES,
    callout_checks,
    callout_kit,
    callout_parts,
)
from coilbook.analytics.rules import RULES


def cases(*pairs: tuple[str, str]) -> pl.DataFrame:
    return pl.DataFrame(pairs, schema={"rule": pl.String, "subject": pl.String}, orient="row")


def test_every_rule_asks_for_something_and_no_other_name_does() -> None:
    names = {rule.name for rule in RULES}
    assert set(ASKS) == names
    assert set(KIT) | set(CONTACTOR) <= names
    assert all(ASKS.values())


def test_every_check_is_asked_for_once_by_some_rule() -> None:
    assert {name for asked in ASKS.values() for name in asked} == {check.name for check in CHECKS}
    assert len(BY_NAME) == len(CHECKS)
    assert all(len(set(asked)) == len(asked) for asked in ASKS.values())


def test_the_list_goes_from_the_desk_to_the_covers_on_again() -> None:
    places = [STAGES.index(check.stage) for check in CHECKS]
    assert places == sorted(places)
    assert next(check for check in CHECKS if check.stage == "inside").name == "dead"


@pytest.mark.parametrize("rule", ASKS)
def test_nobody_works_inside_before_it_is_proved_dead(rule: str) -> None:
    inside = [name for name in ASKS[rule] if BY_NAME[name].stage == "inside"]
    assert not inside or inside[0] == "dead"


@pytest.mark.parametrize("rule", CONTACTOR)
def test_a_circuit_whose_contactor_is_opened_is_taken_off_first_and_put_back_last(rule: str) -> None:
    asked = list(callout_checks(cases((rule, "a")))["check"])
    assert asked.index("take_off") < asked.index("dead") < asked.index("put_back")


def test_two_cases_share_a_check_and_keep_whom_it_is_for() -> None:
    sheet = callout_checks(cases(("chatter", "a"), ("contactor_wear", "b"), ("silent", "site")))
    dead = sheet.row(by_predicate=pl.col("check") == "dead", named=True)
    assert (dead["rules"], dead["subjects"]) == (["chatter", "contactor_wear"], ["a", "b"])
    assert sheet["number"].to_list() == list(range(1, sheet.height + 1))
    assert sheet.row(by_predicate=pl.col("check") == "sag", named=True)["subjects"] == ["a"]


def test_contactors_are_brought_only_where_a_case_may_need_one() -> None:
    circuits = pl.DataFrame({"circuit_id": ["a", "b", "c"], "poles": [2, 2, 3]})
    parts = callout_parts(cases(("chatter", "c"), ("cloud_starts", "b"), ("stuck_closed", "c")), circuits)
    assert parts.select("circuit_id", "poles").rows() == [("c", 3)]
    assert parts["rules"].to_list() == [["chatter", "stuck_closed"]]


def test_the_lock_and_the_tester_come_wherever_something_is_opened() -> None:
    assert callout_kit(cases(("contactor_wear", "a"), ("chatter", "b")))[:2] == list(ALWAYS)
    assert callout_kit(cases(("held_by_hand", "a"))) == []


def test_no_case_no_check() -> None:
    assert callout_checks(cases()).is_empty()
    assert callout_kit(cases()) == []
