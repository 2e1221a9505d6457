"""Replay of one circuit: its line of samples in, totals by candidate out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from coilbook.analytics.replay.candidates import Candidate
from coilbook.analytics.replay.kernel import COUNTS, ENERGIES, HALVES, Scratch, walk
from numpy.typing import NDArray

# Edges of the bins of run lengths [s]: a bin holds its lower edge, the last bin is open.
LENGTH_EDGES_S = (0, 60, 120, 300, 600, 900, 1200, 1800, 2700, 3600, 5400, 7200, 10800, 14400, 21600, 43200)


@dataclass(frozen=True)
class Line:
    """One circuit's samples on a uniform grid, the circuit itself taken out of the house.

    `surplus_w` (n,) [W] float32 or float64, any value where `gates` says hole. `own_w` [W]: what the
    appliance draws while its contactor is closed. `step_s` [s]. `gates`, `prices`, `halves` (n,) uint8:
    codes of `kernel`, index into the price arrays, 0 or 1. `buy_per_kwh`, `sell_per_kwh` (p,)
    [currency/kWh].
    """

    surplus_w: NDArray[Any]
    own_w: float
    step_s: float
    gates: NDArray[np.uint8]
    prices: NDArray[np.uint8]
    halves: NDArray[np.uint8]
    buy_per_kwh: NDArray[np.float64]
    sell_per_kwh: NDArray[np.float64]


@dataclass(frozen=True)
class Outcome:
    """Totals by candidate (c) and half (2): the columns are those of `kernel`.

    `counts` (c, 2, 5): starts, samples on, short runs, most starts within 1 h and within 24 h.
    `energies` (c, 2, 4): solar and bought energy [Wh], cost of the bought, export forgone [currency].
    `lengths` (c, 16): runs by length.
    """

    counts: NDArray[np.int64]
    energies: NDArray[np.float64]
    lengths: NDArray[np.int64]


def in_samples(duration_s: float, step_s: float) -> int:
    """A duration [s] as a count of samples, rounded up; a rounding error of the quotient does not add one."""
    return math.ceil(duration_s / step_s - 1e-9)


def replay_circuit(
    line: Line,
    candidates: Sequence[Candidate],
    rest_s: float = 0.0,
    short_run_s: float = 600.0,
    scratch: Scratch | None = None,
) -> Outcome:
    """Replay `line` under each candidate. `rest_s` [s] serves where a candidate keeps the registry's rest.

    Runs under `short_run_s` [s] count as short. `scratch` must be as long as the line, or is made.
    Raises ValueError where a level lies wrong or lengths differ.
    """
    n = len(line.surplus_w)
    if not (len(line.gates) == len(line.prices) == len(line.halves) == n):
        raise ValueError("surplus, gates, prices and halves of a line must have one length")
    levels = np.array([(c.on_level * line.own_w, c.off_level * line.own_w) for c in candidates])
    if (
        len(candidates) == 0
        or not (levels[:, 1] <= levels[:, 0]).all()
        or line.own_w <= 0
        or line.step_s <= 0
    ):
        raise ValueError(
            "a candidate needs an off level not above its on level, own power and a step above 0"
        )
    samples = np.array([_counts(c, line.step_s, rest_s) for c in candidates], np.int64)
    counts = np.zeros((len(candidates), HALVES, COUNTS), np.int64)
    energies = np.zeros((len(candidates), HALVES, ENERGIES))
    lengths = np.zeros((len(candidates), len(LENGTH_EDGES_S)), np.int64)
    if n:
        kernel_line = (
            float(line.own_w),
            line.step_s / 3600.0,
            line.gates,
            line.prices,
            line.halves,
            line.buy_per_kwh,
            line.sell_per_kwh,
        )
        edges = np.array(LENGTH_EDGES_S) / line.step_s - 1e-9
        marks = (3600.0 / line.step_s, 86400.0 / line.step_s, short_run_s / line.step_s - 1e-9, edges)
        # Neighbours share the stretches in which a start or stop is allowed.
        order = np.lexsort((samples[:, 1], levels[:, 1], samples[:, 0], levels[:, 0]))
        scratch = scratch if scratch is not None and scratch.length == n else Scratch(n)
        out = (counts, energies, lengths)
        walk(line.surplus_w, kernel_line, marks, order, levels, samples, scratch.arrays, out)
    return Outcome(counts, energies, lengths)


def _counts(c: Candidate, step_s: float, rest_s: float) -> tuple[int, int, int, int]:
    rest = rest_s if c.min_rest_s is None else c.min_rest_s
    on, off, run = (max(1, in_samples(d, step_s)) for d in (c.on_delay_s, c.off_delay_s, c.min_run_s))
    return on, off, run, in_samples(rest, step_s)
