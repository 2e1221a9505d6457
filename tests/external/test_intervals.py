"""Intervals against published tables and against statsmodels."""

from __future__ import annotations

import pytest
from coilbook.analytics.intervals import garwood, wilson
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

# Newcombe 1998 (Stat. Med. 17:857-872) Table I for the first four; the rest worked out with statsmodels.
WILSON_95 = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
    (5, 25, 0.0886, 0.3913),
    (0, 10, 0.0, 0.2775),
    (1, 10, 0.0179, 0.4042),
    (5, 10, 0.2366, 0.7634),
    (10, 10, 0.7225, 1.0),
    (45, 50, 0.7864, 0.9565),
]
# Exact Poisson limits: k = 0, 10 and 25 as printed in statistics manuals, the rest from chi-square quantiles.
GARWOOD_95 = [
    (0, 0.0, 3.6889),
    (1, 0.0253, 5.5716),
    (2, 0.2422, 7.2247),
    (5, 1.6235, 11.6683),
    (10, 4.7954, 18.3904),
    (25, 16.1787, 36.9049),
    (100, 81.3640, 121.6268),
]
GARWOOD_90 = [(0, 0.0, 2.9957), (1, 0.0513, 4.7439), (10, 5.4254, 16.9622), (25, 17.3821, 34.9161)]


@pytest.mark.parametrize(("k", "n", "low", "high"), WILSON_95)
def test_wilson_against_the_table(k: int, n: int, low: float, high: float) -> None:
    assert wilson(k, n) == pytest.approx((low, high), abs=6e-5)


@pytest.mark.parametrize("level", [0.8, 0.9, 0.95, 0.99])
def test_wilson_against_statsmodels(level: float) -> None:
    for n in (1, 2, 7, 40, 1000):
        for k in range(0, n + 1, max(1, n // 7)):
            expected = proportion_confint(k, n, alpha=1 - level, method="wilson")
            assert wilson(k, n, level) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("k", "low", "high"), GARWOOD_95)
def test_garwood_against_the_table(k: int, low: float, high: float) -> None:
    assert garwood(k) == pytest.approx((low, high), abs=6e-5)


@pytest.mark.parametrize(("k", "low", "high"), GARWOOD_90)
def test_garwood_at_90_percent_against_the_table(k: int, low: float, high: float) -> None:
    assert garwood(k, level=0.90) == pytest.approx((low, high), abs=6e-5)


def test_garwood_against_statsmodels() -> None:
    for k in (0, 1, 3, 17, 240):
        for exposure in (0.5, 1.0, 52.0):
            assert garwood(k, exposure, 0.9) == pytest.approx(
                confint_poisson(k, exposure, method="exact-c", alpha=0.1), rel=1e-9
            )


def test_garwood_of_25_events_at_99_percent_as_printed() -> None:
    assert garwood(25, level=0.99) == pytest.approx((14.00, 41.00), abs=0.006)


def test_nothing_known_and_nonsense() -> None:
    assert wilson(0, 0) == (0.0, 1.0)
    for call in (lambda: wilson(3, 2), lambda: wilson(-1, 2), lambda: wilson(1, 2, 1.0)):
        with pytest.raises(ValueError, match="expected"):
            call()
    for call in (lambda: garwood(-1), lambda: garwood(1, 0.0), lambda: garwood(1, 1.0, 0.0)):
        with pytest.raises(ValueError, match="expected"):
            call()
