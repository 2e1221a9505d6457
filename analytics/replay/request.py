"""What an engineer asks for: which circuits, which candidates, which prices, which time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date

from coilbook.analytics.replay.candidates import Candidate, crossed
from coilbook.analytics.replay.costs import CostSettings
from coilbook.analytics.replay.registry import Site
from coilbook.analytics.rules.starts_limits import StartsPerHour
from coilbook.ingest.errors import CoilbookError, InputError

SEED = 20_06
RESAMPLES = 1000
SHORT_RUN_S = 600.0  # runs under it are counted as short in every candidate alike; ours


class Cancelled(CoilbookError):
    """The person who asked has called the work off."""


@dataclass(frozen=True)
class Cohort:
    """Which sites take part; None lets every site pass. Ranges are [low, high).

    `followers`: only circuits whose controllers follow surplus.
    `pv_kw` [kW]: rated PV power. `variability` [1]: that of the site's PV, see `cohort.variability`.
    """

    areas: tuple[str, ...] | None = None
    pv_kw: tuple[float, float] | None = None
    battery: bool | None = None
    variability: tuple[float, float] | None = None
    followers: bool = False

    def admits(self, site: Site) -> bool:
        """What the registry can decide."""
        if self.areas is not None and site.area not in self.areas:
            return False
        if self.battery is not None and site.battery != self.battery:
            return False
        return self.pv_kw is None or (site.pv_kw is not None and self.pv_kw[0] <= site.pv_kw < self.pv_kw[1])


@dataclass(frozen=True)
class TuneRequest:
    """One question about settings. Empty `appliances` and `months` (1 to 12) mean all of them.

    `first`, `last`: local dates, both included; None = from or to the log's end. `valid_from`: from when
    the rows for the registry shall hold; None = the day after the newest log. `starts_per_hour`: limit
    by appliance [1/h]; appliances without one have no limit. `threads`: sites replayed at a time.
    """

    appliances: tuple[str, ...] = ()
    candidates: tuple[Candidate, ...] = field(default_factory=crossed)
    cohort: Cohort = field(default_factory=Cohort)
    months: tuple[int, ...] = ()
    first: date | None = None
    last: date | None = None
    valid_from: date | None = None
    costs: CostSettings = field(default_factory=CostSettings)
    starts_per_hour: Mapping[str, float] = field(default_factory=lambda: asdict(StartsPerHour()))
    short_run_s: float = SHORT_RUN_S
    seed: int = SEED
    resamples: int = RESAMPLES
    threads: int = 2

    def check(self) -> None:
        """Raise `InputError` where the request cannot be answered."""
        if not self.candidates:
            raise InputError(
                "tuning needs at least one candidate; found none (is every off level above its on level?)"
            )
        for c in self.candidates:
            durations = (c.min_run_s, c.on_delay_s, c.off_delay_s, c.min_rest_s or 0.0)
            if min(durations) < 0 or not 0 <= c.off_level <= c.on_level:
                raise InputError(
                    f"candidate {c}: durations and levels must not be negative, off level not above on level"
                )
        if any(not 1 <= month <= 12 for month in self.months):
            raise InputError(f"months {self.months}: expected numbers from 1 to 12")
        if self.first and self.last and self.last < self.first:
            raise InputError(f"last date {self.last} lies before first date {self.first}")
        if self.resamples < 1 or self.threads < 1:
            raise InputError("resamples and threads must be at least 1")
