"""How fast the replay is: python tests/benchmarks/bench_replay.py [--sites N] [--days D] [--circuits C]

Three measurements, each on invented logs at 1 min: the kernel on one circuit beside a NumPy version that
is vectorised over the candidates; the fleet from the store file, reading included, for N sites and for a
quarter of them (so that the growth of time and memory shows); and the crossed search. A step is one
sample of one circuit under one candidate.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "replay"))

from coilbook.analytics.replay.candidates import Candidate, crossed
from coilbook.analytics.replay.circuit import Line, in_samples, replay_circuit
from coilbook.analytics.replay.fleet import replay_fleet
from coilbook.analytics.replay.kernel import HOLE, LOCKOUT, RUN_WINDOW, Scratch
from coilbook.analytics.replay.registry import read_registry
from coilbook.analytics.replay.request import TuneRequest
from coilbook.ingest.store import Store
from small_fleet import RATED_W, add_site, add_tariff, sun_w

Array = np.ndarray[Any, Any]


def numpy_replay(line: Line, candidates: tuple[Candidate, ...]) -> tuple[Array, Array, Array, Array]:
    """The state machine with NumPy, all candidates at once: starts, samples on, solar and bought energy
    [Wh].

    What does not depend on the state is computed for all samples ahead: the surplus counts of each pair
    of levels and delays, and the energies. What is left a sample is a handful of operations on arrays as
    long as the candidates.
    """
    own, step = line.own_w, line.step_s
    runs = np.array([max(1, in_samples(c.min_run_s, step)) for c in candidates])
    rests = np.array([in_samples(c.min_rest_s or 0.0, step) for c in candidates])
    hole = line.gates == HOLE
    may_start = np.stack(
        [_stood(line.surplus_w >= c.on_level * own, hole, c.on_delay_s, step) for c in candidates], 1
    )
    may_stop = np.stack(
        [_stood(line.surplus_w < c.off_level * own, hole, c.off_delay_s, step) for c in candidates], 1
    )
    solar = np.minimum(own, np.maximum(0.0, line.surplus_w.astype(np.float64))) * (step / 3600)
    count = len(candidates)
    on = np.zeros(count, bool)
    in_state = np.full(count, 1 << 40)
    starts, used, sun = np.zeros(count, np.int64), np.zeros(count, np.int64), np.zeros(count)
    for i, gate in enumerate(line.gates.tolist()):
        if gate == HOLE:
            in_state[on] = 0
            on[:] = False
            continue
        if gate == LOCKOUT:
            wanted = np.zeros(count, bool)
        elif gate == RUN_WINDOW:
            wanted = np.ones(count, bool)
        else:
            wanted = np.where(on, ~(may_stop[i] & (in_state >= runs)), may_start[i] & (in_state >= rests))
        changed = wanted != on
        in_state[changed] = 0
        in_state += 1
        starts += changed & wanted
        on = wanted
        used += on
        sun += on * solar[i]
    return starts, used, sun, used * own * step / 3600 - sun


def _stood(true: Array, hole: Array, delay_s: float, step: float) -> Array:
    """Whether a condition has been true for the delay, counted over samples without a hole."""
    true = true & ~hole
    places = np.arange(len(true))
    last_false = np.maximum.accumulate(np.where(true, -1, places))
    stood: Array = places - last_false >= max(1, in_samples(delay_s, step))
    return stood & true


def one_line(days: int) -> Line:
    """A broken year of one circuit with a lockout from 17 to 21 h."""
    pv = sun_w(days, 4200.0, 0.4, 1)
    n = len(pv)
    minute = np.arange(n) % 1440
    peak = (minute >= 1020) & (minute < 1260)
    house = 400.0 + 300.0 * np.random.default_rng(2).random(n)
    return Line(
        (pv - house).astype(np.float32),
        RATED_W,
        60.0,
        np.where(peak, LOCKOUT, 0).astype(np.uint8),
        peak.astype(np.uint8),
        (np.arange(n) // 10080 % 2).astype(np.uint8),
        np.array([0.18, 0.42]),
        np.array([0.05, 0.05]),
    )


def timed(work: Callable[[], Any], repeats: int) -> tuple[float, float]:
    """Best wall time and processor time [s] of `repeats`."""
    walls, cpus = [], []
    for _ in range(repeats):
        wall, cpu = time.perf_counter(), time.process_time()
        work()
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
    return min(walls), min(cpus)


def bench_kernel(days: int) -> None:
    """The kernel beside NumPy, on the same line, results compared."""
    line, candidates = one_line(days), crossed()
    scratch = Scratch(len(line.gates))
    out = replay_circuit(line, candidates, 0.0, 600.0, scratch)
    wall, cpu = timed(lambda: replay_circuit(line, candidates, 0.0, 600.0, scratch), 7)
    steps = len(line.gates) * len(candidates)
    short = one_line(min(days, 30))
    found = numpy_replay(short, candidates)
    again = replay_circuit(short, candidates)
    assert found[0].tolist() == again.counts[:, :, 0].sum(axis=1).tolist()
    assert found[1].tolist() == again.counts[:, :, 1].sum(axis=1).tolist()
    assert np.allclose(np.stack(found[2:], 1), again.energies[:, :, :2].sum(axis=1), rtol=1e-9)
    numpy_wall, _ = timed(lambda: numpy_replay(short, candidates), 2)
    numpy_rate = len(short.gates) * len(candidates) / numpy_wall
    print(f"kernel: {steps / cpu / 1e6:.0f} M steps/s of one core ({wall * 1e3:.1f} ms a circuit-year)")
    print(f"NumPy over candidates: {numpy_rate / 1e6:.2f} M steps/s; kernel {steps / cpu / numpy_rate:.0f} x")
    many = crossed(
        on_levels=(0.8, 1.0, 1.2), off_levels=(0.3, 0.5), on_delays_s=(60, 120, 300), min_rests_s=(0, 600)
    )
    _, cpu = timed(lambda: replay_circuit(line, many, 0.0, 600.0, scratch), 3)
    print(f"kernel, {len(many)} crossed candidates: {len(line.gates) * len(many) / cpu / 1e6:.0f} M steps/s")
    assert out.counts.sum() > 0


def make_store(path: Path, sites: int, days: int, circuits: int) -> None:
    """A store of `sites` sites, loaded one after another, with `circuits` circuits each."""
    with Store.open(path) as store:
        add_tariff(store)
        for k in range(sites):
            add_site(store, k, days, 0.4)
        with store.writing() as session:
            for c in range(2, circuits + 1):
                session.run(
                    "INSERT INTO circuit SELECT * REPLACE (site_id || '-c' || ? AS circuit_id) FROM circuit "
                    "WHERE circuit_id LIKE '%-c1'",
                    [str(c)],
                )
        store.checkpoint()


def bench_fleet(path: Path, share: float, threads: int) -> None:
    """The fleet out of the store file, opened anew."""
    request = TuneRequest(threads=threads)
    with Store.open(path) as store:
        with store.reading() as session:
            registry = read_registry(session)
            samples = session.rows("SELECT count(*) FROM power_log")[0][0]
        sites = sorted(registry.sites)[: max(1, round(share * len(registry.sites)))]
        circuits = [c for c in registry.circuits if c.site_id in set(sites)]
        one = replace(request, threads=1)
        replay_fleet(store, registry, circuits[:1], one, {})
        wall, cpu = timed(lambda: replay_fleet(store, registry, circuits, request, {}), 1)
    steps = samples / len(registry.sites) * len(circuits) * (len(request.candidates) + 1)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"fleet of {len(sites)} sites, {len(circuits)} circuits, {threads} threads, reading too: {wall:.2f} s"
    )
    rates = f"{steps / wall / 1e6:.0f} M steps/s in all, {steps / cpu / 1e6:.0f} M steps/s of a core"
    print(f"  {rates}, peak memory {peak:.0f} MB")


def main() -> None:
    """Run the measurements asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=24)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--circuits", type=int, default=2, help="circuits a site")
    parser.add_argument("--threads", type=int, default=2)
    asked = parser.parse_args()
    bench_kernel(asked.days)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.duckdb"
        make_store(path, asked.sites, asked.days, asked.circuits)
        for share in (0.25, 1.0):
            bench_fleet(path, share, asked.threads)


if __name__ == "__main__":
    main()
