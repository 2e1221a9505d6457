"""The tuple of rules is complete, and a duplicate cannot enter it."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from pathlib import Path

import coilbook.analytics.rules as rules
import pytest

SUPPORT = {
    "__init__", "hold_windows", "hours", "shape", "starts_limits", "still_stuck", "stuck_doubts", "sun_clock",
    "surplus_cost", "words",
}  # fmt: skip


def test_every_rule_file_is_listed_under_its_own_name() -> None:
    files = {path.stem for path in Path(str(rules.__file__)).parent.glob("*.py")} - SUPPORT
    assert files == set(rules.BY_NAME)


def test_a_duplicate_name_fails() -> None:
    with pytest.raises(ValueError, match="chatter"):
        rules._distinct(rules.RULES[0], rules.BY_NAME["chatter"], rules.BY_NAME["chatter"])


@pytest.mark.parametrize("rule", rules.RULES, ids=lambda rule: rule.name)
def test_every_setting_has_a_meaning_a_source_and_a_range(rule: rules.Rule[object]) -> None:
    standard = rule.settings()
    for f in fields(standard):  # type: ignore[arg-type]
        if is_dataclass(getattr(standard, f.name)):
            continue
        assert f.metadata["meaning"], f.name
        assert f.metadata["source"], f.name
        assert f.metadata["low"] <= getattr(standard, f.name) <= f.metadata["high"], f.name


@pytest.mark.parametrize("rule", rules.RULES, ids=lambda rule: rule.name)
def test_every_rule_says_when_it_fires_and_when_it_stays_quiet(rule: rules.Rule[object]) -> None:
    text = Path(str(rules.__file__)).with_name(f"{rule.name}.py").read_text("utf-8").split('"""')[1]
    assert "\nFires: " in text
    assert "\nStays quiet: " in text
