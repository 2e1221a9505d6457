"""Scores as a file: what a full run counted, so that the table can be made again without the run."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evaluation.score import Scores

FILE = Path(__file__).with_name("measured.json")
PARTS = ("days", "findings", "faults", "delays", "cases", "healthy_days")


@dataclass(frozen=True)
class Measured:
    """Scores and what they were taken from: seeds, sites and days of each fleet."""

    scores: Scores
    seeds: tuple[int, ...]
    sites: int
    days: int


def write(measured: Measured, path: Path = FILE) -> None:
    """Write the counts as JSON, one count a line, sorted."""
    lines = [
        json.dumps([name, *key, count], ensure_ascii=False)
        for name, part in zip(PARTS, measured.scores.parts(), strict=True)
        for key, count in sorted(part.items())
    ]
    head = {"seeds": list(measured.seeds), "sites": measured.sites, "days": measured.days}
    body = ",\n".join(lines)
    path.write_text(f'{{"fleets": {json.dumps(head)}, "counts": [\n{body}\n]}}\n', encoding="utf-8")


def read(path: Path = FILE) -> Measured:
    """What `write` wrote."""
    stored = json.loads(path.read_text("utf-8"))
    parts: dict[str, Counter[tuple[Any, ...]]] = {name: Counter() for name in PARTS}
    for name, *key, count in stored["counts"]:
        parts[name][tuple(key)] = count
    fleets = stored["fleets"]
    scores = Scores(**parts)
    return Measured(scores, tuple(fleets["seeds"]), fleets["sites"], fleets["days"])
