"""How much room a chart will take, so that a page keeps it free and nothing jumps when a script draws it.

Heights are what the drawn charts were measured to need, a little rounded up: what is left over stays blank.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Room:
    """Height [px] on a page of full width, and on a narrow one, where titles take more lines."""

    wide: int
    narrow: int


def cases_by_week(panels: int) -> Room:
    """For `panels` rules or areas."""
    return Room(92 * panels + 22, 92 * panels + 22)


def intervals(panels: int, rows: int) -> Room:
    """For `panels` of intervals with `rows` each."""
    return Room(panels * (40 * rows + 66), panels * (40 * rows + 90))


CONTACTORS_DUE = Room(180, 180)


def timeline(circuits: int) -> Room:
    """For lanes of `circuits` over power."""
    return Room(46 * circuits + 276, 46 * circuits + 292)


def windows(panels: int, weeks: int) -> Room:
    """For `panels` of a calendar of `weeks`, which stand side by side as far as they have room."""
    wide, narrow = 992, 358
    panel = 20 * weeks + 76

    def height(width: int) -> int:
        beside = max(1, (width + 22) // panel)
        return 162 + 174 * (-(-panels // beside) - 1)

    return Room(height(wide), height(narrow))


def starts(circuits: int) -> Room:
    """For a panel a circuit."""
    return Room(146 * circuits + 16, 164 * circuits + 16)


def lengths(circuits: int) -> Room:
    """For a panel a circuit."""
    return Room(166 * circuits, 190 * circuits)


def wear(circuits: int) -> Room:
    """For a panel a circuit."""
    return Room(160 * circuits + 16, 184 * circuits + 16)


MIN_RUN_COST = Room(474, 462)
MIN_RUN_ENERGY = Room(238, 248)
MIN_RUN_SITES = Room(192, 202)


def min_run_lengths(panels: int) -> Room:
    """For `panels` of runs by length."""
    return Room(146 * panels + 6, 158 * panels)
