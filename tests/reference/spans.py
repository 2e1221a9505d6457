"""Arithmetic of half-open spans [begin, end) of time, exact to the microsecond."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from reference.clock import ZERO

Span = tuple[datetime, datetime]


def seconds(length: timedelta) -> float:
    """A length in seconds."""
    return length.total_seconds()


def cut(span: Span, begin: datetime, end: datetime) -> Span | None:
    """The part of a span within [begin, end), None where nothing of any length is left."""
    a, b = max(span[0], begin), min(span[1], end)
    return (a, b) if a < b else None


def within(spans: Sequence[Span], begin: datetime, end: datetime) -> list[Span]:
    """The parts of spans within [begin, end), those of no length left out; spans sorted and apart."""
    parts = []
    for span in spans[bisect_right(spans, begin, key=lambda s: s[1]) :]:
        if span[0] >= end:
            break
        part = cut(span, begin, end)
        if part:
            parts.append(part)
    return parts


def length(spans: Iterable[Span]) -> timedelta:
    """The sum of the spans' lengths."""
    return sum((b - a for a, b in spans), ZERO)


def overlap(spans: Sequence[Span], begin: datetime, end: datetime) -> timedelta:
    """How much of [begin, end) the spans cover; they must not overlap each other."""
    return length(within(spans, begin, end))


def gaps(spans: Sequence[Span], begin: datetime, end: datetime) -> list[Span]:
    """What of [begin, end) no span covers; spans sorted by their begin."""
    found = []
    here = begin
    for a, b in within(spans, begin, end):
        if a > here:
            found.append((here, a))
        here = max(here, b)
    if here < end:
        found.append((here, end))
    return found


def common(left: Sequence[Span], right: Sequence[Span]) -> list[Span]:
    """What both cover."""
    return [part for a, b in left for part in within(right, a, b)]
