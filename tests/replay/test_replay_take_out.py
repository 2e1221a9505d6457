"""A circuit taken out of its house: what is left is what would have been there without it."""

from __future__ import annotations

import numpy as np
import pytest
from coilbook.analytics.replay.costs import CostSettings, closing_cost, life_ops
from coilbook.analytics.replay.grid import Grid
from coilbook.analytics.replay.registry import Circuit
from coilbook.analytics.replay.take_out import Learned, TakenOut, metered_w, on_shares, take_out

GRID = Grid(0, 60_000_000, 60)
RUNS = [np.array([5_000_000, 600_000_000], np.int64), np.array([20_000_000, 2_430_000_000], np.int64)]
OWN_W = 1500.0


def house(shares: np.ndarray, own_w: float = OWN_W) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Net and house power with the circuit in it, and the net without it."""
    base = (300 + 20 * np.sin(np.arange(60))).astype(np.float32)
    pv = np.full(60, 2000, np.float32)
    whole = base + shares * np.float32(own_w)
    return pv - whole, whole, pv - base


def taken(*args: object) -> TakenOut:
    out = take_out(*args)  # type: ignore[arg-type]
    assert isinstance(out, TakenOut)
    return out


def test_shares_of_cells() -> None:
    shares = on_shares(GRID, RUNS)
    assert shares[0] == pytest.approx(15 / 60)
    assert shares[1:10].tolist() == [0] * 9
    assert shares[10:40].tolist() == [1] * 30
    assert shares[40] == pytest.approx(0.5)
    assert shares[41:].sum() == 0
    assert on_shares(GRID, None).sum() == 0
    outside = [np.array([-90_000_000]), np.array([30_000_000])]
    assert on_shares(GRID, outside)[:2].tolist() == [0.5, 0]


def test_rated_power_comes_out_whole() -> None:
    shares = on_shares(GRID, RUNS)
    net, whole, without = house(shares)
    out = taken(net, whole, shares, None, None, OWN_W)
    assert (out.own_w, out.source) == (OWN_W, "rated")
    assert out.surplus_w == pytest.approx(without, abs=1e-3)


def test_a_learned_step_beats_rated_and_a_meter_beats_both() -> None:
    shares = on_shares(GRID, RUNS)
    net, whole, without = house(shares, 1200.0)
    learned = Learned(1200.0, 20, 0)
    out = taken(net, whole, shares, None, learned, OWN_W)
    assert (out.own_w, out.source) == (1200.0, "learned")
    assert out.surplus_w == pytest.approx(without, abs=1e-3)
    meter = (shares * 1200.0 + 4.0 * (shares == 0)).astype(np.float32)
    meter[30] = np.nan
    out = taken(net, whole, shares, meter, Learned(900.0, 20, 0), OWN_W)
    assert (out.own_w, out.source) == (1200.0, "meter")
    expected = without + 4.0 * (shares == 0)
    assert out.surplus_w == pytest.approx(expected, abs=1e-3)


def test_meter_samples_go_to_the_cell_they_begin_in() -> None:
    ts = np.array([-1, 0, 30_000_000, 60_000_000, 59 * 60_000_000, 60 * 60_000_000], np.int64)
    means = metered_w(GRID, [ts, np.array([9.0, 100.0, 300.0, 50.0, 70.0, 8.0])])
    assert means[[0, 1, 59]].tolist() == [200, 50, 70]
    assert np.isnan(means[2:59]).all()


def test_left_out_with_a_reason() -> None:
    shares = on_shares(GRID, RUNS)
    net, whole, _ = house(shares)
    assert "not known" in str(take_out(net, whole, shares, None, None, None))
    assert "without a step" in str(take_out(net, whole, shares, None, Learned(None, 1, 9), OWN_W))
    apart, alone, _ = house(np.zeros(60, np.float32))
    assert "negative" in str(take_out(apart, alone, shares, None, None, OWN_W))
    assert isinstance(take_out(net, whole, shares, None, Learned(OWN_W, 9, 1), OWN_W), TakenOut)


def circuit(**more: object) -> Circuit:
    fields: dict[str, object] = dict.fromkeys(Circuit.__dataclass_fields__)
    fields |= {
        "circuit_id": "c",
        "site_id": "s",
        "appliance": "pool_pump",
        "min_run_s": 0.0,
        "min_rest_s": 0.0,
    }
    return Circuit(**(fields | more))  # type: ignore[arg-type]


def test_a_closing_costs_its_share_of_a_change_and_the_start() -> None:
    costs = CostSettings(contactor_change=200.0, start_costs={"pool_pump": 0.01})
    assert closing_cost(circuit(mech_life_ops=100_000.0), costs) == pytest.approx(0.012)
    worn = circuit(mech_life_ops=1e6, elec_life_ops=50_000.0, elec_life_a=40.0, load_a=20.0)
    assert life_ops(worn, costs) == pytest.approx(200_000.0)  # (40 / 20)^2 x 50 000
    small = circuit(mech_life_ops=1e6, elec_life_ops=50_000.0, elec_life_a=40.0, load_a=1.0)
    assert life_ops(small, costs) == 1e6
    assert life_ops(circuit(), costs) == costs.default_life_ops
    assert closing_cost(circuit(appliance="ev_charger"), costs) == pytest.approx(0.002)
