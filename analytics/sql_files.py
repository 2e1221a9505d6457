"""The SQL files of the facts, read once each."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources


@lru_cache(maxsize=64)
def fact(name: str) -> str:
    """The SELECT of fact `name`, from `analytics/facts/<name>.sql`."""
    return (resources.files("coilbook.analytics.facts") / f"{name}.sql").read_text(encoding="utf-8")


@lru_cache(maxsize=64)
def working(name: str) -> str:
    """The statement that makes working table `name`, from `analytics/facts/working/<name>.sql`."""
    return (resources.files("coilbook.analytics.facts") / "working" / f"{name}.sql").read_text(
        encoding="utf-8"
    )
