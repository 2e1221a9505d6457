"""The resampling of sites against the standard worked example of the bootstrap.

Law-school data of Efron & Tibshirani, An Introduction to the Bootstrap (1993): 15 schools, mean
admission test score and mean grade. Correlation 0.7764, and nearly all replicates within 0.4 to 1.0, as
published with the example. The 15 pairs are from memory; that they give the published correlation to
four digits is checked first. Standard error about 0.13 (from memory of the book); 0.134 was computed at
20 000 replicates.
"""

from __future__ import annotations

import numpy as np
import pytest
from coilbook.analytics.replay.uncertainty import draws

SCORES = (576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594)
GRADES = (3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96)


def correlations(weights: np.ndarray) -> np.ndarray:
    """Correlation in each resample, the schools weighted by how often they were drawn."""
    x, y = np.array(SCORES, float), np.array(GRADES)
    total = weights.sum(axis=1)
    mean_x, mean_y = weights @ x / total, weights @ y / total
    cov = weights @ (x * y) / total - mean_x * mean_y
    var_x, var_y = weights @ x**2 / total - mean_x**2, weights @ y**2 / total - mean_y**2
    return cov / np.sqrt(var_x * var_y)


def test_the_pairs_give_the_published_correlation() -> None:
    assert round(float(correlations(np.ones((1, 15)))[0]), 4) == 0.7764


def test_standard_error_and_range_of_the_replicates() -> None:
    replicates = correlations(draws(15, 20_000, 1).astype(float))
    assert replicates.std(ddof=1) == pytest.approx(0.134, abs=0.005)
    inside = np.mean((replicates >= 0.4) & (replicates <= 1.0))
    assert inside > 0.98
