"""Wall times that a clock change repeats: which of the two instants is meant, where row order says so."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from coilbook.ingest.times import Local

APART = timedelta(hours=3)


def passes(walls: Sequence[datetime]) -> list[int] | None:
    """0 or 1 for each wall time, in row order: first or second time round; None where that stays open.

    It is settled only where both passes are there: the times advance strictly, step back once, and advance
    strictly again.

    >>> passes([datetime(2026, 11, 1, 1, 0), datetime(2026, 11, 1, 1, 30), datetime(2026, 11, 1, 1, 0)])
    [0, 0, 1]
    >>> passes([datetime(2026, 11, 1, 1, 0), datetime(2026, 11, 1, 1, 30)]) is None
    True
    """
    steps_back = [i for i in range(1, len(walls)) if walls[i] <= walls[i - 1]]
    if len(steps_back) != 1:
        return None
    return [int(i >= steps_back[0]) for i in range(len(walls))]


def settle(
    locals_: Sequence[Local], before: datetime | None, after: datetime | None
) -> list[datetime] | None:
    """The instants of one subject's rows of one repeated hour, in row order; None where it is open.

    `before` and `after` are the instants of the subject's neighbouring rows in the file: the row order counts
    only where it runs on through them.
    """
    which = passes([local.wall for local in locals_])
    if which is None:
        return None
    found = [local.second if again else local.first for local, again in zip(locals_, which, strict=True)]
    if (before and before >= found[0]) or (after and after <= found[-1]):
        return None
    return found
