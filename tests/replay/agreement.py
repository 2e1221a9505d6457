"""How nearly a replay of the settings that circuits really had reproduces the starts that they really made.

The demo fleet's controllers are programs of another kind than the replay: they see the flow of the minute
before, smooth it, hold back a start near a lockout or near another start at the site, take no battery
discharge for surplus, obey hands. So each real start on surplus is looked for among the replay's, and one
that is not there is put down to what explains it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import machine_by_hand
import numpy as np
from coilbook.analytics.replay.candidates import Candidate
from coilbook.analytics.replay.circuit import Line, replay_circuit
from coilbook.analytics.replay.fleet import EARLIEST, LATEST, _Cells, _cells
from coilbook.analytics.replay.fleet_log import power_logs
from coilbook.analytics.replay.gates import circuit_gates
from coilbook.analytics.replay.kernel import HOLE, LOCKOUT, STARTS
from coilbook.analytics.replay.registry import Circuit, Registry, read_registry
from coilbook.analytics.replay.request import TuneRequest
from coilbook.analytics.replay.take_out import METER, RUNS, by_circuit, metered_w, on_shares, take_out
from coilbook.ingest.store import Session, Store

# Of the simulator's controllers (fixtures/orders.py, fixtures/controllers.py).
ON_DELAY_S, OFF_DELAY_S = 300.0, 1800.0
SMOOTH = 0.5  # share of a new minute in what the controller sees
AGE_S = 60.0  # it counts run and rest to the minute after
SOON_S, STAGGER_S = 12 * 60.0, 6 * 60.0
SETTINGS = """
SELECT circuit_id, surplus_on_w, surplus_off_w, min_run_s, min_rest_s FROM circuit
WHERE surplus_on_w IS NOT NULL QUALIFY count(*) OVER (PARTITION BY circuit_id) = 1 ORDER BY circuit_id
"""
EVENTS = """
SELECT epoch_us(start) AS start_us, epoch_us("end") AS end_us, coalesce(cause_on, '') AS cause
FROM run WHERE circuit_id = ? ORDER BY start
"""

OTHERS = """
SELECT epoch_us(start) FROM run WHERE site_id = ? AND circuit_id <> ? AND cause_on = 'surplus' ORDER BY start
"""


@dataclass
class Agreement:
    """Counts over the circuits compared.

    `why` explains the real starts on surplus that the replay does not make, `extra` the starts that it makes
    and the circuit, whoever asked, did not.
    """

    circuits: int = 0
    real: int = 0
    reproduced: int = 0
    replayed: int = 0
    why: Counter[str] = field(default_factory=Counter)
    extra: Counter[str] = field(default_factory=Counter)

    @property
    def share(self) -> float:
        """Real starts on surplus that the replay makes as well [1]."""
        return self.reproduced / self.real


def agreement(store: Store, appliances: tuple[str, ...], *, filtered: bool, near: int) -> Agreement:
    """Compare all circuits of these classes whose settings never changed.

    A start is reproduced where the replay starts within `near` samples of it. `filtered`: what the replay
    sees is delayed and smoothed as the controllers' measurement is; else it sees the surplus as it is logged.
    """
    found = Agreement()
    with store.reading() as session:
        registry = read_registry(session)
        settings = {row[0]: row[1:] for row in session.rows(SETTINGS)}
        for circuit in registry.circuits:
            if circuit.appliance in appliances and circuit.circuit_id in settings:
                _compare(session, registry, circuit, settings[circuit.circuit_id], filtered, near, found)
    return found


def _compare(
    session: Session,
    registry: Registry,
    circuit: Circuit,
    levels: Any,
    filtered: bool,
    near: int,
    found: Agreement,
) -> None:
    request = TuneRequest()
    values = {"sites": [circuit.site_id], "first": EARLIEST, "stop": LATEST}
    (log,) = power_logs(session, [circuit.site_id], EARLIEST, LATEST)
    cells = _cells(log, registry, request)
    assert isinstance(cells, _Cells)
    grid = cells.grid
    runs = by_circuit(session, RUNS, values).get(circuit.circuit_id)
    meter = by_circuit(session, METER, values).get(circuit.circuit_id)
    metered = None if meter is None else metered_w(grid, meter)
    out = take_out(cells.net_w, cells.house_w, on_shares(grid, runs), metered, None, circuit.rated_w)
    if isinstance(out, str):
        return
    shed = cells.islanded if circuit.shed else np.zeros(grid.n, np.bool_)
    gates = circuit_gates(grid, cells.days, registry.windows.get(circuit.circuit_id, ()), shed, cells.holes)
    surplus = _seen(out.surplus_w, cells.holes) if filtered else out.surplus_w
    line = Line(
        surplus, out.own_w, grid.step_s, gates, cells.prices.classes, cells.halves,
        cells.prices.buy_per_kwh, cells.prices.sell_per_kwh,
    )  # fmt: skip
    on_w, off_w, run_s, rest_s = levels
    candidate = Candidate(
        run_s + AGE_S, on_w / out.own_w, off_w / out.own_w, ON_DELAY_S, OFF_DELAY_S, rest_s + AGE_S
    )
    machine = machine_by_hand.walk(line, candidate)
    kernel = replay_circuit(line, (candidate,)).counts[0, :, STARTS].sum()
    assert kernel == len(machine.begun)  # the kernel is what is judged; the machine tells where it starts
    _count(_Site(session, circuit, grid, gates, machine), near, found)


def _seen(surplus_w: Any, holes: Any) -> Any:
    """What a controller sees at each sample: the sample before, smoothed."""
    seen = np.full(len(surplus_w), np.nan, np.float32)
    last = 0.0
    for k in range(1, len(surplus_w)):
        if holes[k] or holes[k - 1]:
            last = 0.0
            continue
        last += (float(surplus_w[k - 1]) - last) * SMOOTH
        seen[k] = last
    return np.where(np.isnan(seen), np.float32(0), seen)


class _Site:
    """What explains a difference: real runs, other starts at the site, gates, the replay's states."""

    def __init__(self, session: Session, circuit: Circuit, grid: Any, gates: Any, machine: Any) -> None:
        self.grid, self.gates, self.states = grid, gates, machine.states
        self.begun = np.array(machine.begun, np.int64)
        self.runs = session.rows(EVENTS, [circuit.circuit_id])
        rows = session.rows(OTHERS, [circuit.site_id, circuit.circuit_id])
        self.others = np.array([row[0] for row in rows], np.int64)

    def cell(self, instant_us: int) -> int:
        """The sample in which an instant lies."""
        return int((instant_us - self.grid.t0_us) // self.grid.step_us)

    def reason(self, k: int) -> str:
        """Why real and replayed may differ at sample `k`; '' where nothing is known."""
        at_us = self.grid.t0_us + k * self.grid.step_us
        if (self.gates[max(0, k - 10) : k + 2] == HOLE).any():
            return "a hole in the power log"
        hour = 3_600_000_000
        if any(c == "hand" and a - hour <= at_us <= (b or at_us) + hour for a, b, c in self.runs):
            return "a hand at the switch"
        if len(self.others) and np.abs(self.others - at_us).min() <= 2 * STAGGER_S * 1e6:
            return "another start at the site"
        if (self.gates[k : k + int(SOON_S / self.grid.step_s) + 2] == LOCKOUT).any():
            return "a lockout near"
        return ""


def _count(site: _Site, near: int, found: Agreement) -> None:
    found.circuits += 1
    found.replayed += len(site.begun)
    real = [(site.cell(a), site.cell(b) if b else site.grid.n, cause) for a, b, cause in site.runs]
    for k, _, cause in real:
        if cause != "surplus" or not 0 <= k < site.grid.n:
            continue
        found.real += 1
        if _beside(site.begun, k, near):
            found.reproduced += 1
            continue
        on = bool(site.states[max(0, k - 1)])
        found.why[site.reason(k) or ("the replay was on already" if on else "not explained")] += 1
    all_real = np.array([k for k, _, _ in real], np.int64)
    for k in site.begun.tolist():
        if not _beside(all_real, k, near):
            on = any(a < k < b for a, b, _ in real)
            found.extra[site.reason(k) or ("the circuit was on already" if on else "not explained")] += 1


def _beside(samples: Any, k: int, near: int) -> bool:
    return bool(len(samples)) and int(np.abs(samples - k).min()) <= near
