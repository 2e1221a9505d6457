"""Settings come from one file, say in one line what is wrong with it, and stand in `defaults.toml`."""

from __future__ import annotations

from pathlib import Path

import coilbook.analytics
import pytest
from coilbook.analytics.rule_settings import RuleSettings, defaults_text, read_settings
from coilbook.ingest.errors import SettingsError

DEFAULTS = Path(str(coilbook.analytics.__file__)).with_name("defaults.toml")


def test_defaults_toml_is_the_documentation_of_every_setting() -> None:
    assert DEFAULTS.read_text("utf-8") == defaults_text()


def test_defaults_toml_read_back_gives_the_defaults() -> None:
    assert read_settings(DEFAULTS) == read_settings(None) == RuleSettings()


def test_a_file_changes_only_what_it_names(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        "[short_cycling]\nmin_short_runs = 5\n[short_cycling.max_starts_per_hour]\nspa = 3\n", "utf-8"
    )
    made = read_settings(path).rules["short_cycling"]
    assert (made.min_short_runs, made.max_starts_per_hour.spa) == (5, 3.0)
    assert (
        made.max_starts_per_hour.pool_pump
        == RuleSettings().rules["short_cycling"].max_starts_per_hour.pool_pump
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[chater]\nmin_chatter = 1", r"chater: unknown; expected one of .*chatter"),
        ("[chatter]\nmin = 1", r"chatter\.min: unknown; expected one of case_days"),
        (
            "[chatter]\nmin_chatter = 'two'",
            r"chatter\.min_chatter: got 'two', expected a whole number from 1 to 100",
        ),
        ("[chatter]\nmin_chatter = 1.5", r"got 1\.5, expected a whole number"),
        ("[chatter]\nmin_chatter = true", r"got True, expected a whole number"),
        ("[chatter]\nmin_chatter = 0", r"got 0, expected a whole number from 1 to 100"),
        (
            "[silent]\nmin_covered_share = 80",
            r"silent\.min_covered_share: got 80, expected a number from 0\.05 to 1",
        ),
        ("[silent]\nmin_covered_share = nan", r"got nan, expected a number"),
        (
            "[short_cycling]\nmax_starts_per_hour = 6",
            r"got 6, expected a table \[short_cycling\.max_starts_per_hour\]",
        ),
        ("[short_cycling.max_starts_per_hour]\nkiln = 6", r"max_starts_per_hour\.kiln: unknown"),
        ("chatter = 3", r"chatter: got 3, expected a table"),
        ("[cloud_starts]\ncase_findings = 15", r"case_findings: got 15, expected at most case_days = 14"),
        ("[chatter", r"not TOML"),
    ],
)
def test_errors_are_one_line_that_names_file_key_found_and_expected(
    tmp_path: Path, text: str, message: str
) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(SettingsError, match=message) as caught:
        read_settings(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        read_settings(tmp_path / "none.toml")


def test_what_changed_follows_values_not_spelling(tmp_path: Path) -> None:
    path, before = tmp_path / "own.toml", RuleSettings().text()
    path.write_text("[chatter]\nmin_chatter = 1\n", "utf-8")
    assert read_settings(path).changed_since(before) == set()
    path.write_text("[chatter]\nmin_chatter = 2\n[cases]\nclear_after_days = 3\n", "utf-8")
    assert read_settings(path).changed_since(before) == {"chatter", "cases"}
    assert read_settings(path).changed_since("") == set(RuleSettings().values())
