"""What can be asked of a tuning over HTTP and on the command line, and the request that it comes to."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Literal

from coilbook.analytics.replay.candidates import MIN_RUNS_S, crossed
from coilbook.analytics.replay.costs import CostSettings
from coilbook.analytics.replay.request import RESAMPLES, SEED, Cohort, TuneRequest
from coilbook.ingest.errors import InputError
from coilbook.ingest.kinds import APPLIANCES
from pydantic import BaseModel, ConfigDict, Field, ValidationError

MOST_CANDIDATES = 2000

Day = date
Appliance = Literal[
    "pool_pump", "well_pump", "water_heater", "ev_charger", "air_conditioner", "heat_pump", "spa", "other"
]
Minutes = Annotated[float, Field(ge=0, le=1440)]
Level = Annotated[float, Field(ge=0, le=10)]
Seconds = Annotated[float, Field(ge=0, le=86400)]
Money = Annotated[float, Field(ge=0, le=1e6)]


class TuneOrder(BaseModel):
    """One question about settings: which circuits, which candidates, which prices, which time.

    Lists of settings are crossed with each other; a pair with the off level above the on level is left out.
    """

    model_config = ConfigDict(extra="forbid")

    name: str | None = Field(
        None,
        min_length=1,
        max_length=120,
        description="what the result is kept as; empty = dropped when the next tuning begins",
    )
    appliances: list[Appliance] = Field([], description="classes of appliance; empty = all", max_length=8)
    areas: list[str] = Field([], description="only sites of these areas; empty = all", max_length=200)
    also_clock: bool = Field(
        False, description="circuits that do not follow surplus too, replayed as if they did"
    )
    pv_kw: tuple[float, float] | None = Field(None, description="rated PV from (included) and to [kW]")
    battery: bool | None = Field(None, description="only sites with, or without, a battery")
    variability: tuple[float, float] | None = Field(
        None, description="variability of the site's PV from (included) and to [1]; a cloudless day is 1"
    )
    min_runs_min: list[Minutes] = Field(
        [s / 60 for s in MIN_RUNS_S], description="minimum run times [min]", min_length=1, max_length=60
    )
    on_levels: list[Level] = Field(
        [1.0], description="on levels, as a share of own power [1]", min_length=1, max_length=60
    )
    off_levels: list[Level] = Field(
        [0.5], description="off levels, as a share of own power [1]", min_length=1, max_length=60
    )
    on_delays_s: list[Seconds] = Field([120.0], description="on delays [s]", min_length=1, max_length=60)
    off_delays_s: list[Seconds] = Field([120.0], description="off delays [s]", min_length=1, max_length=60)
    min_rests_min: list[Minutes] = Field(
        [], description="rest times [min]; empty = that of the registry", max_length=60
    )
    months: list[Annotated[int, Field(ge=1, le=12)]] = Field(
        [], description="months of the year that count, 1 to 12; empty = all", max_length=12
    )
    first: Day | None = Field(None, description="first local date replayed; empty = from the log's begin")
    last: Day | None = Field(None, description="last local date replayed; empty = to the log's end")
    valid_from: Day | None = Field(
        None, description="from when the registry rows hold; empty = the day after the newest log"
    )
    contactor_change: Money | None = Field(
        None, description="price of a contactor change [currency]; empty = a placeholder"
    )
    default_life_ops: Annotated[float, Field(gt=0, le=1e9)] | None = Field(
        None,
        description="contactor life without figures in the registry [operations]; empty = a placeholder",
    )
    start_cost: Money | None = Field(
        None, description="what a start costs the appliance itself [currency]; empty = a placeholder"
    )
    own_kwh_value: Money | None = Field(
        None, description="worth of a kWh that the appliance gets [currency/kWh]; empty = nothing"
    )
    seed: int = Field(SEED, description="seed of the resampling", ge=0, le=2**31)
    resamples: int = Field(RESAMPLES, description="resamples of sites", ge=1, le=10_000)

    def request(self, threads: int = 2) -> TuneRequest:
        """As the replay takes it, checked. Raises `InputError`."""
        candidates = crossed(
            [m * 60 for m in self.min_runs_min],
            sorted(set(self.on_levels)),
            sorted(set(self.off_levels)),
            sorted(set(self.on_delays_s)),
            sorted(set(self.off_delays_s)),
            [m * 60 for m in sorted(set(self.min_rests_min))] or (None,),
        )
        if len(candidates) > MOST_CANDIDATES:
            raise InputError(f"{len(candidates)} candidates are more than the {MOST_CANDIDATES} at a time")
        made = TuneRequest(
            appliances=tuple(self.appliances),
            candidates=candidates,
            cohort=Cohort(
                tuple(self.areas) or None, self.pv_kw, self.battery, self.variability, not self.also_clock
            ),
            months=tuple(self.months),
            first=self.first,
            last=self.last,
            valid_from=self.valid_from,
            costs=self._costs(),
            seed=self.seed,
            resamples=self.resamples,
            threads=threads,
        )
        made.check()
        return made

    def _costs(self) -> CostSettings:
        given: dict[str, Any] = {
            "contactor_change": self.contactor_change,
            "default_life_ops": self.default_life_ops,
            "own_kwh_value": self.own_kwh_value,
            "start_costs": None if self.start_cost is None else dict.fromkeys(APPLIANCES, self.start_cost),
        }
        given = {name: value for name, value in given.items() if value is not None}
        return CostSettings(**given, given=frozenset(given))

    def kept(self) -> dict[str, Any]:
        """As it is kept: what was asked for, without the name and without what stands at its default."""
        return self.model_dump(mode="json", exclude={"name"}, exclude_defaults=True)


def order_of(values: Mapping[str, Any]) -> TuneOrder:
    """An order from plain values. Raises `InputError` that names each value which cannot be used."""
    try:
        return TuneOrder.model_validate(values)
    except ValidationError as exc:
        faults = [(".".join(str(part) for part in e["loc"]), e["msg"], e["input"]) for e in exc.errors()]
        raise InputError("; ".join(f"{where} {given!r}: {said}" for where, said, given in faults)) from exc
