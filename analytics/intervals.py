"""Intervals for a share and for a count: what a handful of outcomes can and cannot say."""

from __future__ import annotations

from math import sqrt
from statistics import NormalDist

from scipy.special import gammaincinv


def wilson(k: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a share, without continuity correction [0 to 1].

    `k` of `n` turned out so. With `n` 0 nothing is known: (0, 1). Raises `ValueError` unless 0 <= k <= n and
    0 < level < 1. Source: Wilson 1927; method 3 of Newcombe 1998 (Stat. Med. 17:857-872).
    """
    _check_level(level)
    if not 0 <= k <= n:
        raise ValueError(f"k = {k} of n = {n}: expected 0 <= k <= n")
    if n == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + level / 2)
    share = k / n
    scale = 1 + z * z / n
    middle = (share + z * z / (2 * n)) / scale
    half = z / scale * sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return (0.0 if k == 0 else middle - half), (1.0 if k == n else middle + half)


def garwood(k: int, exposure: float = 1.0, level: float = 0.95) -> tuple[float, float]:
    """Exact Poisson limits of a rate [1/unit of exposure]: `k` events were seen over `exposure`.

    Lower chi2(a/2, 2k) / 2, upper chi2(1 - a/2, 2k + 2) / 2, written as inverse incomplete gamma functions.
    Raises `ValueError` for a negative count, an exposure that is not positive, or a level outside (0, 1).
    Source: Garwood 1936 (Biometrika 28:437-442).
    """
    _check_level(level)
    if k < 0 or exposure <= 0:
        raise ValueError(f"k = {k} over {exposure}: expected k >= 0 and an exposure above 0")
    tail = (1 - level) / 2
    lower = 0.0 if k == 0 else float(gammaincinv(k, tail))
    return lower / exposure, float(gammaincinv(k + 1, 1 - tail)) / exposure


def _check_level(level: float) -> None:
    if not 0 < level < 1:
        raise ValueError(f"level = {level}: expected a share between 0 and 1")
