"""From a file's own columns to the contract's: names, constants, tokens, units, signs, forms of time.

The outcome is contract text again, so that whatever judges rows knows nothing of makers. The contract's own
files have the mapping that changes nothing.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import polars as pl
from coilbook.ingest.csv_blocks import Dialect
from coilbook.ingest.kinds import Kind
from coilbook.ingest.phrases import phrase
from coilbook.ingest.rows import TS_ZONE

RFC3339 = "rfc3339"
EPOCH = {"epoch_s": 1_000_000, "epoch_ms": 1_000}
# Forms that both readers of time take alike; others go through Python's alone.
_PLAIN_FORM = re.compile(r"(%[YmdHMS]|[^%])*")
_PLACE = re.compile(r"\{([^{}]+)\}")
_EPOCH_TEXT = re.compile(r"-?[0-9]{1,18}(\.[0-9]+)?")
_ORIGIN = datetime(1970, 1, 1)  # noqa: DTZ001 - naive UTC, as everywhere in the store


@dataclass(frozen=True)
class LogMap:
    """How one kind of file of one maker becomes contract text.

    `columns` gives, for a contract column, the file's column or a template with `{column}` places; `values`
    constants; `tokens` the contract's word for a maker's word; `factors` what a number is multiplied by.
    `time_form` is `rfc3339`, `epoch_s`, `epoch_ms` or a strptime form; `zone` that of times without offset.
    """

    kind: Kind
    columns: Mapping[str, str]
    values: Mapping[str, str] = field(default_factory=dict)
    tokens: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    factors: Mapping[str, float] = field(default_factory=dict)
    time_form: str = RFC3339
    zone: str | None = None
    dialect: Dialect = field(default_factory=Dialect)
    decimal: str = "."

    def sources(self) -> list[str]:
        """The file's columns that are used, each once."""
        found: dict[str, None] = {}
        for source in self.columns.values():
            found.update(dict.fromkeys(_PLACE.findall(source) or [source]))
        return list(found)

    def fits(self, columns: Collection[str]) -> bool:
        """Whether a file with these columns has what every must column of the contract needs."""
        must = [f.name for f in self.kind.fields if f.must and f.name in self.columns]
        needed = {name for m in must for name in _PLACE.findall(self.columns[m]) or [self.columns[m]]}
        return needed <= set(columns)

    def apply(self, text: pl.DataFrame) -> pl.DataFrame:
        """A frame of contract columns (text, empty = null) from a frame of the file's columns."""
        if self.is_plain and set(text.columns) == set(self.columns):
            return text
        frame = text.select(self._column(name, text.columns) for name in self.columns)
        frame = frame.with_columns(pl.lit(word).alias(name) for name, word in self.values.items())
        frame = frame.with_columns(
            pl.col(name).str.strip_chars().replace(dict(words)) for name, words in self.tokens.items()
        )
        numbers = [f.name for f in self.kind.fields if f.read == "number" and f.name in frame.columns]
        if self.decimal != ".":
            frame = frame.with_columns(pl.col(numbers).str.replace_all(self.decimal, ".", literal=True))
        frame = frame.with_columns(_scaled(name, factor) for name, factor in self.factors.items())
        if self.time_form != RFC3339:
            frame = frame.with_columns(self._times(frame["ts"]))
        return frame.with_columns(pl.lit(self.zone).alias(TS_ZONE)) if self.zone else frame

    @property
    def is_plain(self) -> bool:
        """True where nothing but the choice of columns is to be done."""
        same = all(name == source for name, source in self.columns.items())
        return (
            same
            and not (self.values or self.tokens or self.factors or self.zone)
            and (self.time_form == RFC3339 and self.decimal == ".")
        )

    def _column(self, name: str, present: Collection[str]) -> pl.Expr:
        source = self.columns[name]
        places = _PLACE.findall(source)
        if not places:
            return (pl.col(source) if source in present else pl.lit(None, pl.String)).alias(name)
        pattern = _PLACE.sub("{}", source)
        return phrase(pattern, *[pl.col(place).str.strip_chars() for place in places]).alias(name)

    def _times(self, text: pl.Series) -> pl.Series:
        if self.time_form in EPOCH:
            return pl.Series("ts", [_from_epoch(t, EPOCH[self.time_form]) for t in text], pl.String)
        if not _PLAIN_FORM.fullmatch(self.time_form):
            return pl.Series("ts", [_from_form(t, self.time_form) for t in text], pl.String)
        when = text.str.to_datetime(self.time_form, time_unit="us", strict=False)
        exact = when.dt.strftime(self.time_form).eq_missing(text)
        written = when.dt.strftime("%Y-%m-%dT%H:%M:%S").zip_with(exact, text)
        rest = (~exact).arg_true()
        if len(rest):
            written = written.scatter(rest, [_from_form(text[i], self.time_form) for i in rest.to_list()])
        return written.alias("ts")


def contract_map(kind: Kind, columns: Collection[str]) -> LogMap:
    """The mapping of a file in the contract's own names."""
    return LogMap(kind, {name: name for name in kind.names if name in columns})


def _scaled(name: str, factor: float) -> pl.Expr:
    # Rounded, since 1.005 kW is 1005 W; plus zero, since a sign turned round must not make a -0.
    number = pl.col(name).str.strip_chars().cast(pl.Float64, strict=False)
    scaled = (number * factor).round(9) + 0.0
    return pl.when(number.is_finite()).then(scaled.cast(pl.String)).otherwise(pl.col(name)).alias(name)


def _from_epoch(text: str | None, unit_us: int) -> str | None:
    if text is None or not _EPOCH_TEXT.fullmatch(text.strip()):
        return text
    whole, _, fraction = text.strip().partition(".")
    part = int((fraction + "0" * 7)[: len(str(unit_us)) - 1] or 0)
    micros = int(whole) * unit_us + (-part if whole.startswith("-") else part)
    try:
        return (_ORIGIN + timedelta(microseconds=micros)).isoformat() + "Z"
    except OverflowError:
        return text


def _from_form(text: str | None, form: str) -> str | None:
    if text is None:
        return None
    try:
        value = datetime.strptime(text.strip(), form)  # noqa: DTZ007 - a form may have no offset
    except ValueError:
        return text
    if value.tzinfo:
        return value.astimezone(UTC).replace(tzinfo=None).isoformat() + "Z"
    return value.isoformat()
