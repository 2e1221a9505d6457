"""Candidates: the settings that a replay tries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

MIN_RUNS_S = (0.0, 300.0, 600.0, 900.0, 1200.0, 1800.0, 2700.0, 3600.0, 5400.0, 7200.0, 10800.0)


@dataclass(frozen=True)
class Candidate:
    """One set of settings. Levels are shares of the circuit's own power; a rest of None is the registry's."""

    min_run_s: float
    on_level: float = 1.0
    off_level: float = 0.5
    on_delay_s: float = 120.0
    off_delay_s: float = 120.0
    min_rest_s: float | None = None

    def words(self) -> str:
        """The settings in words, those at their defaults left out."""
        parts = [f"minimum run {self.min_run_s / 60:g} min"]
        plain = Candidate(self.min_run_s)
        if self.on_level != plain.on_level:
            parts.append(f"on at {self.on_level:.0%} of own power")
        if self.off_level != plain.off_level:
            parts.append(f"off under {self.off_level:.0%} of own power")
        if self.on_delay_s != plain.on_delay_s:
            parts.append(f"on delay {self.on_delay_s:g} s")
        if self.off_delay_s != plain.off_delay_s:
            parts.append(f"off delay {self.off_delay_s:g} s")
        if self.min_rest_s is not None:
            parts.append(f"rest {self.min_rest_s / 60:g} min")
        return ", ".join(parts)


def crossed(
    min_runs_s: Sequence[float] = MIN_RUNS_S,
    on_levels: Sequence[float] = (1.0,),
    off_levels: Sequence[float] = (0.5,),
    on_delays_s: Sequence[float] = (120.0,),
    off_delays_s: Sequence[float] = (120.0,),
    min_rests_s: Sequence[float | None] = (None,),
) -> tuple[Candidate, ...]:
    """Every combination, by rising minimum run; pairs with the off level above the on level are left out."""
    axes = (sorted(set(min_runs_s)), on_levels, off_levels, on_delays_s, off_delays_s, min_rests_s)
    return tuple(Candidate(*values) for values in product(*axes) if values[2] <= values[1])
