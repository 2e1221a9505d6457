"""The compiled state machine: many candidates over the samples of one circuit.

How the definition is read where it leaves a choice; `tests/replay/machine_by_hand.py` says the same in
plain Python, sample by sample:

- A delay includes the sample that decides: with `on_delay` of 2 samples, the second sample in a row at or
  above `on_w` is the first that is on. A delay of 0 still needs that one sample.
- `min_run` and `min_rest` count the samples already spent in the state: turned on at sample t, the circuit
  may turn off at t + min_run at the earliest. So a run that surplus cuts lasts at least `min_run` samples,
  and a rest `min_rest`.
- The surplus counts belong to the surplus, not to the circuit: they go on under a lockout, under a run
  window and in either state; a gate only overrides what follows from them. After a lockout, a rested
  circuit therefore starts in the first free sample where the surplus has stood long enough; after a run
  window it stops in the first free sample where the surplus has been missing long enough and `min_run`,
  counted from its start, is over.
- A lockout cuts `min_run`, a run window cuts `min_rest`: both come from the clock, which beats surplus. A
  lockout beats a run window. A forced start is a start (the contactor closes), a forced stop begins a rest.
- A hole turns the circuit off and restarts both surplus counts. Its time counts as nothing: not as on,
  not as off, not as rest. A run that a hole cuts, and one that stands at the log's end, has an unknown
  length: it counts as a start, but neither as short nor in the histogram.

Because the surplus counts do not depend on the state, they are found once for all candidates that share
levels and delays, as stretches in which a start (a stop) is allowed. A candidate then steps from stretch
to stretch, and takes the solar energy between from a running sum.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

FREE, RUN_WINDOW, LOCKOUT, HOLE = 0, 1, 2, 3
STARTS, ON_SAMPLES, SHORT_RUNS, MOST_1H, MOST_24H = range(5)
COUNTS = 5
SOLAR_WH, BOUGHT_WH, BOUGHT_COST, FORGONE_EXPORT = range(4)
ENERGIES = 4
HALVES = 2
RESTED = -(1 << 40)  # turned off before any log began

Array = NDArray[Any]


class Scratch:
    """Working arrays of `walk`, kept from one circuit to the next:

    fresh pages cost as much as the walk itself.
    """

    def __init__(self, n: int) -> None:
        self.length = n
        half = n // 2 + 2  # of n samples, at most every second begins a stretch or a run
        self.arrays = (np.empty(n + 1), *(np.empty(half, np.int32) for _ in range(5)))


@njit(cache=True, nogil=True)
def spans_of(gates: Array, prices: Array, halves: Array) -> Any:
    """Stretches of equal gate, price class and half: their begins (m + 1,), the last being n."""
    n, count = len(gates), 1
    for i in range(1, n):
        # Bitwise, so that it compiles to vector instructions.
        count += (gates[i] != gates[i - 1]) | (prices[i] != prices[i - 1]) | (halves[i] != halves[i - 1])
    begins = np.empty(count + 1, np.int64)
    begins[0], begins[count] = 0, n
    k = 1
    for i in range(1, n):
        if (gates[i] != gates[i - 1]) | (prices[i] != prices[i - 1]) | (halves[i] != halves[i - 1]):
            begins[k] = i
            k += 1
    return begins


@njit(cache=True, nogil=True)
def _running_solar(surplus: Array, own_w: float, gates: Array, begins: Array, total: Array) -> None:
    """Running sum of min(own, max(0, surplus)) [W x samples] (n + 1,); holes add nothing."""
    total[0] = 0.0
    for m in range(len(begins) - 1):
        a, b = begins[m], begins[m + 1]
        if gates[a] == HOLE:
            total[a + 1 : b + 1] = total[a]
            continue
        so_far, part, out = total[a], surplus[a:b], total[a + 1 : b + 1]
        for i in range(len(part)):
            so_far += min(own_w, max(0.0, part[i]))
            out[i] = so_far


@njit(cache=True, nogil=True)
def _allowed(surplus: Array, gates: Array, begins: Array, first: Array, after: Array, rule: Any) -> Any:
    """Stretches [first, after) of samples at which `need` samples in a row were at or above (under)
    `level`.
    """
    level, need, above = rule
    n = len(surplus)
    found = 0
    row = 0
    for m in range(len(begins) - 1):
        a, b = begins[m], begins[m + 1]
        if gates[a] == HOLE:
            if row >= need:
                after[found] = a
                found += 1
            row = 0
            continue
        part = surplus[a:b]
        for i in range(len(part)):
            if (part[i] >= level) == above:
                row += 1
                if row == need:
                    first[found] = a + i
            elif row > 0:
                if row >= need:
                    after[found] = a + i
                    found += 1
                row = 0
    if row >= need:
        after[found] = n
        found += 1
    return first[:found], after[:found]


@njit(cache=True, nogil=True)
def _next(first: Array, after: Array, at: int, i: int, n: int) -> Any:
    """The first allowed sample from `i` on (n where there is none), and where to look from next time."""
    while at < len(first) and after[at] <= i:
        at += 1
    if at == len(first):
        return n, at
    return max(i, first[at]), at


@njit(cache=True, nogil=True)
def _begin_run(begun: Array, state: Array, i: int, hour: float, day: float, counts: Array) -> None:
    """Count a start at `i`. `state`: starts so far, and the first of them within the hour and the day."""
    k = state[0]
    begun[k] = i
    state[0] = k + 1
    while begun[state[1]] <= i - hour:
        state[1] += 1
    while begun[state[2]] <= i - day:
        state[2] += 1
    counts[STARTS] += 1
    counts[MOST_1H] = max(counts[MOST_1H], k - state[1] + 1)
    counts[MOST_24H] = max(counts[MOST_24H], k - state[2] + 1)


@njit(cache=True, nogil=True)
def _end_run(length: int, short: float, edges: Array, counts: Array, lengths: Array) -> None:
    """Judge a run of `length` samples against `short` and put it into its bin of lengths (all in samples)."""
    if length < short:
        counts[SHORT_RUNS] += 1
    k = -1
    for edge in edges:
        k += length >= edge
    lengths[k] += 1


@njit(cache=True, nogil=True)
def _one(
    line: Any,
    begins: Any,
    solar: Any,
    ups: Any,
    downs: Any,
    run: int,
    rest: int,
    marks: Any,
    begun: Any,
    out: Any,
) -> None:
    """One candidate over all stretches. `run` >= 1 and `rest` in samples; `out`: counts, energy, lengths."""
    own_w, hours, gates, prices, halves, buy, sell = line
    hour, day, short, edges = marks
    counts, energy, lengths = out
    n = len(gates)
    state = np.zeros(3, np.int64)
    on, started, start_half, off_since = False, 0, 0, RESTED
    up = down = 0
    for m in range(len(begins) - 1):
        a, b = begins[m], begins[m + 1]
        gate, half = gates[a], halves[a]
        if gate == HOLE:
            off_since = b if on else off_since + b - a
            on = False
            continue
        if gate == LOCKOUT:
            if on:
                _end_run(a - started, short, edges, counts[start_half], lengths)
                off_since = a
            on = False
            continue
        used, sun = 0, 0.0
        i = a
        if gate == RUN_WINDOW:
            if not on:
                _begin_run(begun, state, a, hour, day, counts[half])
                on, started, start_half = True, a, half
            used, sun = b - a, solar[b] - solar[a]
            i = b
        while i < b:
            if not on:
                i, up = _next(ups[0], ups[1], up, max(i, off_since + rest), n)
                if i >= b:
                    break
                _begin_run(begun, state, i, hour, day, counts[half])
                on, started, start_half = True, i, half
            stop, down = _next(downs[0], downs[1], down, max(i, started + run), n)
            upto = min(stop, b)
            used += upto - i
            sun += solar[upto] - solar[i]
            if stop < b:
                _end_run(stop - started, short, edges, counts[start_half], lengths)
                on, off_since = False, stop
                upto += 1  # the sample that turns off is off, whatever the rest
            i = upto
        own_wh = used * own_w * hours
        solar_wh = min(own_wh, sun * hours)
        counts[half, ON_SAMPLES] += used
        energy[half, SOLAR_WH] += solar_wh
        energy[half, BOUGHT_WH] += own_wh - solar_wh
        energy[half, BOUGHT_COST] += (own_wh - solar_wh) * buy[prices[a]] / 1000.0
        energy[half, FORGONE_EXPORT] += solar_wh * sell[prices[a]] / 1000.0


@njit(cache=True, nogil=True)
def walk(
    surplus: Array, line: Any, marks: Any, order: Array, levels: Array, samples: Array, scratch: Any, out: Any
) -> None:
    """All candidates over one circuit.

    `line`: own power [W], hours of a sample, gates, price classes, halves (n,), prices a kWh by class
    (bought, sold). `marks`: an hour, a day, the short-run limit and the edges of run lengths, in
    samples. `order`: candidates so sorted that those with equal levels and delays are neighbours.
    `levels` (c, 2): on, off [W]. `samples` (c, 4): on delay, off delay, run (each at least 1) and rest.
    `scratch`: arrays of `Scratch`. `out`: counts (c, 2, COUNTS), energies (c, 2, ENERGIES) and run
    lengths (c, bins), added to.
    """
    gates = line[2]
    solar, begun, up_first, up_after, down_first, down_after = scratch
    begins = spans_of(gates, line[3], line[4])
    _running_solar(surplus, line[0], gates, begins, solar)
    ups, downs = (up_first[:0], up_after[:0]), (down_first[:0], down_after[:0])
    for k in range(len(order)):
        c, p = order[k], order[max(0, k - 1)]
        if k == 0 or levels[c, 0] != levels[p, 0] or samples[c, 0] != samples[p, 0]:
            ups = _allowed(surplus, gates, begins, up_first, up_after, (levels[c, 0], samples[c, 0], True))
        if k == 0 or levels[c, 1] != levels[p, 1] or samples[c, 1] != samples[p, 1]:
            downs = _allowed(
                surplus, gates, begins, down_first, down_after, (levels[c, 1], samples[c, 1], False)
            )
        one = (out[0][c], out[1][c], out[2][c])
        _one(line, begins, solar, ups, downs, samples[c, 2], samples[c, 3], marks, begun, one)
