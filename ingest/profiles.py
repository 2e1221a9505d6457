"""Source profiles: TOML files that map a maker's logs onto the contract, see `fixtures/profiles/` for two.

A profile has a `name` and one table for each kind of log that the maker writes (`[switch]`, `[power]`, ...):

- `columns`: contract column = the file's column, or a template such as `"{Date} {Time}"`
- `values`: contract column = one constant for the whole file
- `tokens.<column>`: the maker's word = the contract's word
- `units`: contract column = the file's unit; `reversed`: list of columns whose sign is turned round
- `time`: `form` (`rfc3339`, `epoch_s`, `epoch_ms` or a strptime form), `zone` (IANA) of times without offset
- `csv`: `delimiter`, `decimal`, `skip_lines` (lines before the header)
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from coilbook.ingest.csv_blocks import Dialect
from coilbook.ingest.errors import InputError, ProfileError
from coilbook.ingest.kinds import KIND, Kind
from coilbook.ingest.local_time import zone
from coilbook.ingest.mapping import EPOCH, RFC3339, LogMap

UNITS = {
    "W": {"mW": 1e-3, "W": 1.0, "kW": 1e3, "MW": 1e6},
    "s": {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0},
}
PARTS = ("columns", "values", "tokens", "units", "reversed", "time", "csv")


@dataclass(frozen=True)
class Profile:
    """A maker's logs: one `LogMap` for each kind."""

    name: str
    maps: tuple[LogMap, ...]


def read_profile(path: Path | str) -> Profile:
    """The profile in a TOML file; `ProfileError` says what is wrong with it in one line."""
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text("utf-8"))
    except OSError as exc:
        raise ProfileError(f"profile {path} cannot be read: {exc.strerror}") from exc
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as exc:
        raise ProfileError(f"profile {path} is not TOML: {exc}") from exc
    try:
        return _profile(data)
    except ProfileError as exc:
        raise ProfileError(f"profile {path}: {exc}") from exc


def _profile(data: Mapping[str, Any]) -> Profile:
    name = data.get("name")
    if not isinstance(name, str) or not name:
        raise ProfileError("name is missing; expected a text")
    kinds = {key: part for key, part in data.items() if key != "name"}
    _known("table", kinds, KIND)
    if not kinds:
        raise ProfileError(f"no kind of log; expected a table such as [switch] (one of {', '.join(KIND)})")
    maps = []
    for key, part in kinds.items():
        try:
            maps.append(_log_map(KIND[key], _table(part, key)))
        except ProfileError as exc:
            raise ProfileError(f"[{key}] {exc}") from exc
    return Profile(name, tuple(maps))


def _log_map(kind: Kind, part: Mapping[str, Any]) -> LogMap:
    _known("entry", part, PARTS)
    columns, values = _texts(part, "columns", kind), _texts(part, "values", kind)
    twice = sorted(set(columns) & set(values))
    if twice:
        raise ProfileError(f"{twice[0]} stands in columns and in values; expected one of them")
    lacking = [f.name for f in kind.fields if f.must and f.name not in columns and f.name not in values]
    if lacking:
        raise ProfileError(f"says nothing of {', '.join(lacking)}, which a {kind.name} log must have")
    if not columns:
        raise ProfileError("maps no column of the file")
    tokens = {
        name: _words(words, f"tokens.{name}")
        for name, words in _table(part.get("tokens", {}), "tokens").items()
    }
    _known("column in tokens", tokens, [*columns, *values])
    time_form, zone_name = _time(_table(part.get("time", {}), "time"))
    dialect, decimal = _csv(_table(part.get("csv", {}), "csv"))
    return LogMap(
        kind, columns, values, tokens, _factors(kind, part, columns), time_form, zone_name, dialect, decimal
    )


def _factors(kind: Kind, part: Mapping[str, Any], columns: Mapping[str, str]) -> dict[str, float]:
    numbers = {
        f.name: UNITS["s" if f.name.endswith("_s") else "W"]
        for f in kind.fields
        if f.name.endswith(("_w", "_s"))
    }
    factors: dict[str, float] = {}
    for name, unit in _words(part.get("units", {}), "units").items():
        _known("column in units", [name], [n for n in numbers if n in columns])
        _known(f"unit of {name}", [unit], numbers[name])
        factors[name] = numbers[name][unit]
    turned = part.get("reversed", [])
    if not isinstance(turned, list):
        raise ProfileError('reversed is no list; expected one such as ["grid_w"]')
    _known("column in reversed", turned, [n for n in numbers if n in columns])
    for name in turned:
        factors[name] = -factors.get(name, 1.0)
    return {name: factor for name, factor in factors.items() if factor != 1.0}


def _time(part: Mapping[str, Any]) -> tuple[str, str | None]:
    _known("entry in time", part, ("form", "zone"))
    form, zone_name = part.get("form", RFC3339), part.get("zone")
    if not isinstance(form, str) or (form not in (RFC3339, *EPOCH) and not _is_form(form)):
        raise ProfileError(
            f"time.form is {form!r}; expected rfc3339, epoch_s, epoch_ms or a strptime form such as "
            "%d.%m.%Y %H:%M:%S"
        )
    if zone_name is not None:
        try:
            zone(zone_name)
        except (InputError, TypeError, AttributeError) as exc:
            raise ProfileError(f"time.zone: {exc}") from exc
    return form, zone_name


def _is_form(form: str) -> bool:
    # A form that cannot read back what it writes, to the minute, would lose times silently.
    probe = datetime(2026, 11, 23, 14, 35, tzinfo=UTC)
    try:
        back = datetime.strptime(probe.strftime(form), form)  # noqa: DTZ007 - a form may have no offset
    except ValueError:
        return False
    return back.replace(tzinfo=UTC) == probe


def _csv(part: Mapping[str, Any]) -> tuple[Dialect, str]:
    _known("entry in csv", part, ("delimiter", "decimal", "skip_lines"))
    delimiter, decimal = part.get("delimiter", ","), part.get("decimal", ".")
    skip_lines = part.get("skip_lines", 0)
    if (
        not isinstance(delimiter, str)
        or len(delimiter) != 1
        or not delimiter.isascii()
        or delimiter in '"\r\n'
    ):
        raise ProfileError(f"csv.delimiter is {delimiter!r}; expected one character such as ;")
    if decimal not in (".", ","):
        raise ProfileError(f"csv.decimal is {decimal!r}; expected . or ,")
    if not isinstance(skip_lines, int) or isinstance(skip_lines, bool) or not 0 <= skip_lines <= 1000:
        raise ProfileError(f"csv.skip_lines is {skip_lines!r}; expected 0 to 1000")
    return Dialect(delimiter, skip_lines), decimal


def _texts(part: Mapping[str, Any], key: str, kind: Kind) -> dict[str, str]:
    words = _words(part.get(key, {}), key)
    _known(f"column in {key}", words, kind.names)
    return words


def _words(part: Any, key: str) -> dict[str, str]:
    table = _table(part, key)
    for name, word in table.items():
        if not isinstance(word, str) or (not word and not key.startswith("tokens")):
            raise ProfileError(f"{key}.{name} is {word!r}; expected a text")
    return dict(table)


def _table(part: Any, key: str) -> Mapping[str, Any]:
    if not isinstance(part, dict):
        raise ProfileError(f"{key} is {part!r}; expected a table")
    return part


def _known(what: str, names: Any, known: Any) -> None:
    for name in names:
        if name not in known:
            raise ProfileError(f"unknown {what} {name!r}; expected one of {', '.join(known)}")
