"""Tunings as the API and the command line tell them."""

from __future__ import annotations

from typing import Any, Literal

import polars as pl
from coilbook.analytics.queries.tune import Tuning
from coilbook.api.fields import Instant, column
from coilbook.api.models import Record
from pydantic import Field

TuneState = Literal["running", "done", "cancelled", "failed", "interrupted"]
Rows = list[dict[str, Any]]


class TuningSummary(Record):
    """A tuning on record."""

    tune_run_id: int = column("tune_run", "tune_run_id")
    name: str | None = column("tune_run", "name")
    state: TuneState = column("tune_run", "state")
    request: dict[str, Any] = Field(description="what was asked; what is left out stood at its default")
    seed: int = column("tune_run", "seed")
    made_at: Instant = column("tune_run", "made_at")
    duration_s: float | None = column("tune_run", "duration_s")
    sentence: str | None = column("tune_run", "sentence")


class TuningProgress(TuningSummary):
    """A tuning with how far it is."""

    sites_done: int = Field(0, description="sites replayed so far")
    sites: int = Field(0, description="sites to replay; 0 = not known yet")


class TuneRecommendation(Record):
    """One class's answer; costs are yearly means a circuit in its currency."""

    appliance: str = Field(description="class of appliance")
    currency: str = Field(description="currency of the sites' tariffs")
    sentence: str = Field(description="the answer in words")
    enough: bool = Field(description="whether it is enough to recommend; else `reasons` say why not")
    reasons: list[str] = Field(description="why it is not enough to tell")
    words: str | None = Field(description="the settings of least cost; empty = none keeps the starts limit")
    agreement: float = Field(description="share of resamples that choose the same [1]")
    circuits: int = Field(description="circuits that stand behind it")
    sites: int = Field(description="sites that stand behind it")
    days: float = Field(description="covered days, median over circuits [d]")
    cost: float | None = Field(description="with the recommended settings [currency/a]")
    today_cost: float = Field(description="with today's settings [currency/a]")
    saving: float = Field(description="today's less the recommended [currency/a]")
    saving_low: float = Field(description="lower end of its 90 % interval [currency/a]")
    saving_high: float = Field(description="upper end of its 90 % interval [currency/a]")
    starts_limit_1h: float | None = Field(description="starts an hour that the appliance stands [1/h]")
    sites_worse: int = Field(description="sites that would pay more")


class TuningDetail(TuningProgress):
    """A tuning with its result; the lists are empty unless it is done."""

    recommendations: list[TuneRecommendation] = Field([], description="one for each class and currency")
    assumptions: list[str] = Field([], description="what the result takes for granted")
    curves: Rows = Field(
        [], description="a row a candidate, and one for today's setting: cost, starts, energy"
    )
    run_lengths: Rows = Field([], description="runs by length: as logged, today's setting, each candidate")
    sites_changed: Rows = Field([], description="what the recommendation would change at each site")
    held_out: Rows = Field([], description="recommendations scored on the weeks that did not make them")
    areas: Rows = Field([], description="recommendations scored on the area that did not make them")
    registry: Rows = Field([], description="rows of the circuits file with the recommended settings")
    left_out: Rows = Field([], description="circuits that took no part, and why")
    past_changes: Rows = Field(
        [], description="past changes of a minimum run, and the replay's error for them"
    )


def summary(found: Tuning) -> TuningSummary:
    """A tuning on record."""
    return TuningSummary.model_validate(found)


def detail(found: Tuning, sites_done: int = 0, sites: int = 0) -> TuningDetail:
    """A tuning with its result."""
    lists: dict[str, Any] = {name: _rows(frame) for name, frame in found.frames.items() if name != "circuits"}
    if lists:
        lists["sites_changed"] = lists.pop("sites")
        lists["assumptions"] = found.frames["assumptions"]["text"].to_list()
    told = summary(found).model_dump()
    return TuningDetail.model_validate({**told, **lists, "sites_done": sites_done, "sites": sites})


def _rows(frame: pl.DataFrame) -> Rows:
    """Rows without what JSON has no word for: not a number is nothing, dates are text."""
    plain = frame.with_columns(pl.col(pl.Float64).fill_nan(None), pl.col(pl.Date).dt.to_string("%Y-%m-%d"))
    return plain.to_dicts()
