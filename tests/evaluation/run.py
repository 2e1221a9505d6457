"""Measures the rules on fleets and writes the counts and the table.

    PYTHONPATH=tests python -m evaluation.run [--seeds 7701-7720] [--keep FOLDER] [--jobs 1]

About 30 s of one core a fleet at 1 min, less at 5 and 15 min. `--keep` stores each fleet's counts as it is
done, so that a run that was stopped goes on where it was.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

from evaluation.fleets import INTERVALS_S, Plan, observe
from evaluation.measured import Measured, read, write
from evaluation.score import Scores, score
from evaluation.table import put_in_place, render


def measure(plan: Plan, keep: Path | None = None) -> Scores:
    """The scores of one fleet; from `keep` where they are there."""
    stored = keep / f"{plan.seed}-{plan.interval_s}.json" if keep else None
    if stored and stored.exists():
        return read(stored).scores
    scores = score(observe(plan))
    if stored:
        write(Measured(scores, (plan.seed,), plan.sites, plan.days), stored)
    return scores


def _seeds(text: str) -> tuple[int, ...]:
    first, last = (int(part) for part in text.split("-"))
    return tuple(range(first, last + 1))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m evaluation.run", description=__doc__)
    parser.add_argument("--seeds", type=_seeds, default=_seeds("7701-7720"))
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--render", action="store_true", help="write the table from the stored counts only")
    asked = parser.parse_args()
    if asked.render:
        put_in_place(render(read()))
        return
    if asked.keep:
        asked.keep.mkdir(parents=True, exist_ok=True)
    plans = [Plan(seed, interval) for seed in asked.seeds for interval in INTERVALS_S]
    total = Scores()
    with ProcessPoolExecutor(asked.jobs) as workers:
        for done, scores in enumerate(workers.map(partial(measure, keep=asked.keep), plans), 1):
            total = total + scores
            print(f"{done} of {len(plans)} fleets", file=sys.stderr, flush=True)
    measured = Measured(total, asked.seeds, plans[0].sites, plans[0].days)
    write(measured)
    put_in_place(render(measured))
    print(render(measured))


if __name__ == "__main__":
    main()
