"""All thresholds of rules and cases in one TOML file that a service manager can edit.

A file names only what it changes; the rest keeps its default. `analytics/defaults.toml` shows every setting
with its meaning, its range and the source of its default; it is what `defaults_text` writes.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, fields, is_dataclass
from pathlib import Path
from typing import Any, TypeVar

from coilbook.analytics.rules import RULES
from coilbook.analytics.rules.shape import setting
from coilbook.ingest.errors import SettingsError

T = TypeVar("T")


@dataclass(frozen=True)
class CaseSettings:
    """When cases clear and come back."""

    clear_after_days: int = setting(
        2, "clean covered days after which a case clears", "our choice", low=1, high=60
    )
    back_within_days: int = setting(
        30, "days after clearing within which it is back, not new", "our choice", low=0, high=365
    )
    idle_days_to_clear: int = setting(
        14,
        "covered days with nothing to judge (say, no run window) after which a case clears too",
        "our choice",
        low=1,
        high=365,
    )


@dataclass(frozen=True)
class RuleSettings:
    """The settings in force: those of the cases, and of each rule by its name."""

    cases: CaseSettings = field(default_factory=CaseSettings)
    rules: Mapping[str, Any] = field(default_factory=lambda: {rule.name: rule.settings() for rule in RULES})

    def values(self) -> dict[str, Any]:
        """Every setting as plain values, by section."""
        return {"cases": asdict(self.cases)} | {name: asdict(self.rules[name]) for name in sorted(self.rules)}

    def text(self) -> str:
        """Every value in force, whether written or default, as JSON."""
        return json.dumps(self.values(), sort_keys=True, separators=(",", ":"))

    def changed_since(self, text: str) -> set[str]:
        """Names of the sections that differ from those of `text`, which `text()` of other settings gave."""
        before, now = json.loads(text or "{}"), json.loads(self.text())
        return {name for name in now if now[name] != before.get(name)}


def read_settings(path: Path | None) -> RuleSettings:
    """The settings of the file at `path`, or the defaults.

    Raises `SettingsError` for a file that cannot be read or parsed, an unknown name, a wrong type or a value
    out of range; the one line names file, key, what was found and what was expected.
    """
    if path is None:
        return RuleSettings()
    try:
        given = tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as exc:
        raise SettingsError(f"settings {path}: cannot be read ({exc})") from exc
    except tomllib.TOMLDecodeError as exc:
        raise SettingsError(f"settings {path}: not TOML ({exc})") from exc
    where = f"settings {path}"
    sections: dict[str, type[Any]] = {"cases": CaseSettings} | {rule.name: rule.settings for rule in RULES}
    _known(where, "", given, sections)
    made = {name: _build(kind, given.get(name, {}), where, name) for name, kind in sections.items()}
    for rule in RULES:
        _opening(where, rule.name, made[rule.name])
    return RuleSettings(made.pop("cases"), made)


def _known(where: str, prefix: str, given: Mapping[str, Any], names: Mapping[str, Any]) -> None:
    for key in given:
        if key not in names:
            raise SettingsError(
                f"{where}: {prefix}{key}: unknown; expected one of {', '.join(sorted(names))}"
            )


def _build(kind: type[T], given: Any, where: str, key: str) -> T:
    if not isinstance(given, dict):
        raise SettingsError(f"{where}: {key}: got {given!r}, expected a table [{key}]")
    known = {f.name: f for f in fields(kind)}  # type: ignore[arg-type]
    _known(where, f"{key}.", given, known)
    standard = kind()
    values: dict[str, Any] = {}
    for name, value in given.items():
        default = getattr(standard, name)
        path = f"{key}.{name}"
        if is_dataclass(default):
            values[name] = _build(type(default), value, where, path)
        else:
            values[name] = _checked(value, default, known[name].metadata, where, path)
    return kind(**values)


def _checked(value: Any, default: Any, meta: Mapping[str, Any], where: str, path: str) -> Any:
    wanted = (
        f"a {'whole number' if isinstance(default, int) else 'number'} from {meta['low']} to {meta['high']}"
    )
    kinds = (int,) if isinstance(default, int) else (int, float)
    right = isinstance(value, kinds) and not isinstance(value, bool) and meta["low"] <= value <= meta["high"]
    if not right:
        raise SettingsError(f"{where}: {path}: got {value!r}, expected {wanted}")
    return type(default)(value)


def _opening(where: str, rule: str, made: Any) -> None:
    if made.case_findings > made.case_days:
        raise SettingsError(
            f"{where}: {rule}.case_findings: got {made.case_findings}, "
            f"expected at most case_days = {made.case_days}"
        )


def defaults_text() -> str:
    """The text of `defaults.toml`."""
    head = (
        "# Every threshold with its default. Copy what you want to change into a file of your own.\n"
        "# Above each value: its meaning, [the range allowed], and where the default comes from.\n"
    )
    sections: dict[str, type[Any]] = {"cases": CaseSettings} | {rule.name: rule.settings for rule in RULES}
    return head + "".join(f"{line}\n" for name, kind in sections.items() for line in _section(name, kind))


def _section(name: str, kind: type[Any]) -> Iterator[str]:
    nested: list[tuple[str, type[Any]]] = []
    standard = kind()
    yield f"\n[{name}]"
    for f in fields(kind):
        default = getattr(standard, f.name)
        if is_dataclass(default):
            nested.append((f"{name}.{f.name}", type(default)))
            continue
        meta = f.metadata
        yield f"# {meta['meaning']} [{meta['low']} to {meta['high']}]; {meta['source']}"
        yield f"{f.name} = {default}"
    for inner, inner_kind in nested:
        yield from _section(inner, inner_kind)
