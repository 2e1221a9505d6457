"""How sure a recommendation is: resampled sites, and a decision that may say "not enough to tell".

Circuits of one site share its sun and its house, so sites are resampled, not circuits (the cluster
bootstrap; Efron & Tibshirani, An Introduction to the Bootstrap, 1993). Shapes: C circuits, S sites, K
candidates, R resamples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEAST_AGREEMENT = 0.60
LEAST_SITES = 8
LEAST_DAYS = 28.0
KEEP_WITHIN = 0.95
INTERVAL = (0.05, 0.95)
NONE = -1


def draws(sites: int, resamples: int, seed: int) -> Counts:
    """How often each site is drawn in each resample (R, S); each row sums to S. Same seed, same draws."""
    drawn = np.random.default_rng(seed).integers(0, sites, size=(resamples, sites))
    counts = np.zeros((resamples, sites), np.int64)
    np.add.at(counts, (np.arange(resamples)[:, None], drawn), 1)
    return counts


def mean_costs(weights: Floats, cost: Floats) -> Floats:
    """Mean cost of each candidate (R, K) over circuits weighted by `weights` (R, C); `cost` (C, K)."""
    means: Floats = (weights @ cost) / weights.sum(axis=1, keepdims=True)
    return means


def best(weights: Floats, cost: Floats, within: Mask, keep: float = KEEP_WITHIN) -> Counts:
    """The candidate of least mean cost that keeps a share `keep` of circuits within their limit (R,).

    `within` (C, K). Of equal costs the first wins; NONE where no candidate keeps enough within.
    """
    kept = mean_costs(weights, within.astype(np.float64)) >= keep - 1e-12
    means = np.where(kept, mean_costs(weights, cost), np.inf)
    return np.where(kept.any(axis=1), means.argmin(axis=1), NONE)


def weighted_medians(weights: Floats, values: Floats) -> Floats:
    """Median of each column of `values` (C, K) over circuits weighted by whole `weights` (R, C); (R, K)."""
    medians = np.empty((len(weights), values.shape[1]))
    for k in range(values.shape[1]):
        order = np.argsort(values[:, k], kind="stable")
        running = np.cumsum(weights[:, order], axis=1)
        half = running[:, -1:] / 2.0
        low = (running < half).sum(axis=1)
        high = (running <= half).sum(axis=1)  # differs from low only where half falls between two values
        ranked = values[order, k]
        medians[:, k] = (ranked[low] + ranked[np.minimum(high, len(ranked) - 1)]) / 2.0
    return medians


def interval(resampled: Floats) -> tuple[Floats, Floats]:
    """The middle 90 % of the resamples, by column: 5 % and 95 % points."""
    low, high = np.quantile(resampled, INTERVAL, axis=0)
    return low, high


@dataclass(frozen=True)
class Decision:
    """`choice`:

    index of the candidate, or NONE. `agreement`: share of resamples that choose it. `reasons`: why it is
    not enough to tell, empty where it is.
    """

    choice: int
    agreement: float
    reasons: tuple[str, ...]

    @property
    def enough(self) -> bool:
        """Whether the choice may be called a recommendation."""
        return not self.reasons


def decide(cost: Floats, within: Mask, site: Counts, days: Floats, counts: Counts) -> Decision:
    """Choose among candidates. `cost`, `within` (C, K); `site` (C,) index of each circuit's; `days` (C,)
    covered.

    `counts` (R, S) from `draws`. The days that stand behind a choice are the median over circuits.
    """
    choice = int(best(np.ones((1, len(cost))), cost, within)[0])
    chosen = best(counts[:, site].astype(np.float64), cost, within)
    agreement = float(np.mean(chosen == choice)) if choice != NONE else 0.0
    reasons = []
    if choice == NONE:
        reasons.append(f"no candidate keeps {KEEP_WITHIN:.0%} of circuits within the starts limit")
    elif agreement < LEAST_AGREEMENT:
        reasons.append(f"only {agreement:.0%} of resamples agree ({LEAST_AGREEMENT:.0%} needed)")
    sites = len(np.unique(site))
    if sites < LEAST_SITES:
        stand = "site stands" if sites == 1 else "sites stand"
        reasons.append(f"only {sites} {stand} behind it ({LEAST_SITES} needed)")
    covered = float(np.median(days))
    if covered < LEAST_DAYS:
        reasons.append(f"only {covered:.0f} days stand behind it ({LEAST_DAYS:.0f} needed)")
    return Decision(choice, agreement, tuple(reasons))
