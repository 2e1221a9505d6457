"""The state machine of the replay in plain Python, one sample after the other, to compare the kernel with."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from coilbook.analytics.replay.candidates import Candidate
from coilbook.analytics.replay.circuit import LENGTH_EDGES_S, Line
from coilbook.analytics.replay.kernel import HOLE, LOCKOUT, RUN_WINDOW


@dataclass
class Machine:
    """One candidate walking over a line."""

    on: bool = False
    high: int = 0
    low: int = 0
    off_for: float = math.inf
    on_for: int = 0
    run_half: int = 0
    begun: list[int] = field(default_factory=list)
    states: list[bool | None] = field(default_factory=list)
    starts: list[int] = field(default_factory=lambda: [0, 0])
    on_samples: list[int] = field(default_factory=lambda: [0, 0])
    short: list[int] = field(default_factory=lambda: [0, 0])
    most_1h: list[int] = field(default_factory=lambda: [0, 0])
    most_24h: list[int] = field(default_factory=lambda: [0, 0])
    energy: list[list[float]] = field(default_factory=lambda: [[0.0] * 4, [0.0] * 4])
    lengths: list[int] = field(default_factory=lambda: [0] * len(LENGTH_EDGES_S))


def walk(line: Line, c: Candidate, rest_s: float = 0.0, short_run_s: float = 600.0) -> Machine:
    """Replay `line` under `c`."""
    m = Machine()
    dt = line.step_s
    on_w, off_w = c.on_level * line.own_w, c.off_level * line.own_w
    rest = rest_s if c.min_rest_s is None else c.min_rest_s
    need_on, need_off, need_run, need_rest = (
        -(-round(d * 1000) // round(dt * 1000)) for d in (c.on_delay_s, c.off_delay_s, c.min_run_s, rest)
    )
    for i in range(len(line.surplus_w)):
        surplus, gate, half = float(line.surplus_w[i]), line.gates[i], int(line.halves[i])
        if gate == HOLE:
            if m.on:
                m.off_for = 0
            m.on, m.high, m.low = False, 0, 0
            m.states.append(None)
            continue
        m.high = m.high + 1 if surplus >= on_w else 0
        m.low = m.low + 1 if surplus < off_w else 0
        wanted = m.on
        if gate in (LOCKOUT, RUN_WINDOW):
            wanted = gate == RUN_WINDOW
        elif not m.on and m.high >= max(1, need_on) and m.off_for >= need_rest:
            wanted = True
        elif m.on and m.low >= max(1, need_off) and m.on_for >= need_run:
            wanted = False
        if wanted and not m.on:
            m.on_for, m.run_half = 0, half
            m.begun.append(i)
            m.starts[half] += 1
            for most, window_s in ((m.most_1h, 3600), (m.most_24h, 86400)):
                recent = sum(1 for s in m.begun if (i - s) * dt < window_s)
                most[half] = max(most[half], recent)
        if m.on and not wanted:
            length_s = m.on_for * dt
            m.short[m.run_half] += length_s < short_run_s
            m.lengths[max(k for k, edge in enumerate(LENGTH_EDGES_S) if length_s >= edge)] += 1
            m.off_for = 0
        m.on = wanted
        m.states.append(wanted)
        if m.on:
            m.on_for += 1
            m.on_samples[half] += 1
            own_wh = line.own_w * dt / 3600
            solar_wh = min(line.own_w, max(0.0, surplus)) * dt / 3600
            e = m.energy[half]
            e[0] += solar_wh
            e[1] += own_wh - solar_wh
            e[2] += (own_wh - solar_wh) / 1000 * float(line.buy_per_kwh[line.prices[i]])
            e[3] += solar_wh / 1000 * float(line.sell_per_kwh[line.prices[i]])
        else:
            m.off_for += 1
    return m
