"""The kernel against the plain-Python machine on random lines, and against cases worked by hand."""

from __future__ import annotations

import machine_by_hand
import numpy as np
import pytest
from coilbook.analytics.replay.candidates import Candidate, crossed
from coilbook.analytics.replay.circuit import LENGTH_EDGES_S, Line, in_samples, replay_circuit
from coilbook.analytics.replay.kernel import FREE, HOLE, LOCKOUT, RUN_WINDOW
from hypothesis import given, settings
from hypothesis import strategies as st

OWN_W = 1000.0


def line(surplus: list[float], gates: list[int] | None = None, step_s: float = 60.0) -> Line:
    n = len(surplus)
    return Line(
        np.array(surplus, np.float32),
        OWN_W,
        step_s,
        np.array(gates if gates is not None else [FREE] * n, np.uint8),
        np.zeros(n, np.uint8),
        np.zeros(n, np.uint8),
        np.array([0.30]),
        np.array([0.10]),
    )


def on_for(surplus: str, c: Candidate, gates: str = "", rest_s: float = 0.0) -> tuple[int, int, list[int]]:
    """Starts, samples on and judged lengths of a line drawn as text: # surplus, - half, . none."""
    watts = {"#": 1000.0, "-": 600.0, ".": 0.0}
    codes = {" ": FREE, "R": RUN_WINDOW, "L": LOCKOUT, "x": HOLE}
    drawn = line([watts[s] for s in surplus], [codes[g] for g in gates.ljust(len(surplus))])
    out = replay_circuit(drawn, [c], rest_s)
    return int(out.counts[0, 0, 0]), int(out.counts[0, 0, 1]), out.lengths[0].tolist()


def bin_of(minutes: int) -> list[int]:
    row = [0] * len(LENGTH_EDGES_S)
    row[max(k for k, e in enumerate(LENGTH_EDGES_S) if minutes * 60 >= e)] = 1
    return row


PLAIN = Candidate(0.0)


@pytest.mark.parametrize(
    ("surplus", "gates", "candidate", "rest_s", "starts", "on", "lengths"),
    [
        # Delay 2 min: on from the 2nd '#', off in the 2nd '.'; that one counts as off.
        (".####....", "", PLAIN, 0, 1, 4, bin_of(4)),
        # One sample of surplus is too short; a break begins the count anew.
        (".#.#.#.", "", PLAIN, 0, 0, 0, None),
        # Between the levels nothing changes in either state.
        (".##---#--..", "", PLAIN, 0, 1, 8, bin_of(8)),
        ("--------", "", PLAIN, 0, 0, 0, None),
        # Minimum run 5 min: on at index 2, off at the earliest at index 7.
        (".##.........", "", Candidate(300.0), 0, 1, 5, bin_of(5)),
        # Rest 4 min: off at 4, so on at 8 at the earliest although surplus stands since 5.
        ("##..." + "#####" + "..", "", Candidate(0.0, on_delay_s=60, off_delay_s=60), 240, 2, 6, None),
        # It begins rested: the first start waits for the delay alone.
        ("##########", "", PLAIN, 36000, 1, 9, None),
        # A lockout cuts the minimum run; with surplus standing it starts in the first free sample.
        ("##########", "   LLL", Candidate(3600.0), 0, 2, 2 + 4, None),
        # ... unless it must rest: off at 3, rest 5 min, on at 8.
        ("##########", "   LLL", Candidate(0.0), 300, 2, 2 + 2, None),
        # A run window starts without surplus; after it the surplus has been missing long enough: off at once.
        ("..........", "   RRR", PLAIN, 0, 1, 3, bin_of(3)),
        # ... unless the minimum run, counted from the window's start, goes on.
        ("..........", "   RRR", Candidate(300.0), 0, 1, 5, bin_of(5)),
        # A run window cuts the rest.
        ("##........", "    RR", Candidate(0.0), 3600, 2, 1 + 1 + 2, None),
        # A hole turns off, restarts the delay, is not on-time; the cut run has no length.
        ("##########", "    xx", PLAIN, 0, 2, 3 + 3, [0] * 16),
        # A hole is no rest: off at 3, rest 4 min of samples 3, 6, 7, 8, so on at 9.
        ("##..." + "#####" + "##", "    xx", Candidate(0.0), 240, 2, 2 + 3, None),
        # A run cut by a hole rests from its end: samples 6, 7, 8, on at 9.
        ("###########", "    xx", Candidate(0.0), 180, 2, 3 + 2, None),
    ],
)
def test_cases_worked_by_hand(
    surplus: str,
    gates: str,
    candidate: Candidate,
    rest_s: float,
    starts: int,
    on: int,
    lengths: list[int] | None,
) -> None:
    found = on_for(surplus, candidate, gates, rest_s)
    assert found[:2] == (starts, on)
    if lengths is not None:
        assert found[2] == lengths


def test_energy_and_money_by_hand() -> None:
    """On for four 15-min samples at surplus 1000, 1000, 400, -200 W: solar 600 Wh of 1000 Wh."""
    drawn = line([1000.0, 1000.0, 400.0, -200.0, -200.0], step_s=900.0)
    out = replay_circuit(drawn, [Candidate(0.0, off_delay_s=2700.0)])
    solar, bought, cost, forgone = out.energies[0, 0]
    assert out.counts[0, 0, :2].tolist() == [1, 4]
    assert (solar, bought) == pytest.approx((600.0, 400.0))
    assert (cost, forgone) == pytest.approx((0.4 * 0.30, 0.6 * 0.10))


def test_counts_round_up() -> None:
    assert [in_samples(s, 60.0) for s in (0, 1, 60, 61, 120, 180)] == [0, 1, 1, 2, 2, 3]
    assert in_samples(0.3, 0.1) == 3
    assert [in_samples(s, 900.0) for s in (120, 900, 1800, 1801)] == [1, 1, 2, 3]


def test_an_off_level_above_the_on_level_is_refused() -> None:
    with pytest.raises(ValueError, match="off level"):
        replay_circuit(line([0.0]), [Candidate(0.0, on_level=0.5, off_level=0.6)])
    assert crossed((0.0,), (0.5, 1.0), (0.4, 0.8)) == (
        Candidate(0.0, 0.5, 0.4),
        Candidate(0.0, 1.0, 0.4),
        Candidate(0.0, 1.0, 0.8),
    )


def stretches(values: st.SearchStrategy[int], longest: int) -> st.SearchStrategy[list[int]]:
    pair = st.tuples(values, st.integers(1, longest))
    return st.lists(pair, min_size=1, max_size=12).map(lambda p: [v for v, k in p for _ in range(k)])


candidates = st.builds(
    Candidate,
    min_run_s=st.sampled_from([0.0, 60.0, 100.0, 300.0, 900.0, 1800.0, 7200.0]),
    on_level=st.sampled_from([0.6, 1.0, 1.2]),
    off_level=st.sampled_from([0.0, 0.5, 0.6]),
    on_delay_s=st.sampled_from([0.0, 60.0, 120.0, 301.0, 1800.0]),
    off_delay_s=st.sampled_from([0.0, 60.0, 120.0, 301.0, 1800.0]),
    min_rest_s=st.sampled_from([None, 0.0, 60.0, 180.0, 1800.0]),
)


@settings(max_examples=400, deadline=None)
@given(
    surplus=stretches(st.sampled_from([-500, 0, 499, 500, 599, 600, 999, 1000, 1001, 1200, 3000]), 40),
    gates=stretches(st.sampled_from([FREE, FREE, FREE, RUN_WINDOW, LOCKOUT, HOLE]), 60),
    halves=stretches(st.sampled_from([0, 1]), 100),
    prices=stretches(st.sampled_from([0, 1]), 80),
    step_s=st.sampled_from([60.0, 300.0, 900.0]),
    tried=st.lists(candidates, min_size=1, max_size=6),
    rest_s=st.sampled_from([0.0, 600.0]),
)
def test_the_kernel_is_the_machine(
    surplus: list[int],
    gates: list[int],
    halves: list[int],
    prices: list[int],
    step_s: float,
    tried: list[Candidate],
    rest_s: float,
) -> None:
    n = max(len(surplus), len(gates))
    drawn = Line(
        np.resize(np.array(surplus, np.float64), n),
        OWN_W,
        step_s,
        np.resize(np.array(gates, np.uint8), n),
        np.resize(np.array(prices, np.uint8), n),
        np.resize(np.array(halves, np.uint8), n),
        np.array([0.18, 0.42]),
        np.array([0.05, 0.02]),
    )
    out = replay_circuit(drawn, tried, rest_s)
    for k, candidate in enumerate(tried):
        hand = machine_by_hand.walk(drawn, candidate, rest_s)
        columns = (hand.starts, hand.on_samples, hand.short, hand.most_1h, hand.most_24h)
        assert out.counts[k].T.tolist() == [list(c) for c in columns]
        assert out.lengths[k].tolist() == hand.lengths
        assert out.energies[k] == pytest.approx(np.array(hand.energy), rel=1e-9, abs=1e-9)
        own_wh = out.counts[k, :, 1] * OWN_W * step_s / 3600
        assert out.energies[k, :, :2].sum(axis=1) == pytest.approx(own_wh, rel=1e-12)
