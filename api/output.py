"""How the command line prints: data on stdout, everything else on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime

from coilbook.api.csv_text import records_csv
from coilbook.api.operations import Progress
from pydantic import BaseModel
from rich import box
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bar
from rich.table import Table
from rich.text import Text

WIDE = 10_000
"""Width where stdout is no terminal [columns]: lines are left whole."""


def stdout() -> Console:
    """Prints data: as wide as the terminal, or unbroken lines into a file or pipe."""
    return Console() if sys.stdout.isatty() else Console(width=WIDE, color_system=None)


def say(text: str) -> None:
    """One line to stdout, as it is."""
    print(text)


def note(text: str) -> None:
    """One line to stderr."""
    print(text, file=sys.stderr)


def print_json(records: BaseModel | Sequence[BaseModel]) -> None:
    """Records as JSON, an object or an array of objects."""
    data = (
        records.model_dump(mode="json")
        if isinstance(records, BaseModel)
        else [r.model_dump(mode="json") for r in records]
    )
    json.dump(data, sys.stdout, indent=2, ensure_ascii=False)
    sys.stdout.write("\n")


def print_csv(kind: type[BaseModel], records: Iterable[BaseModel]) -> None:
    """Records as CSV; its line ends are left as they are."""
    sys.stdout.flush()
    sys.stdout.buffer.write(records_csv(kind, records).encode())
    sys.stdout.buffer.flush()


def print_table(names: Sequence[str], rows: Iterable[Sequence[object]], *, right: Sequence[str] = ()) -> None:
    """Rows as a table to read; columns of `right` are numbers."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for name in names:
        table.add_column(name, justify="right" if name in right else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text(shown(value)) for value in row))
    console = stdout()
    with console.capture() as captured:
        console.print(table)
    for line in captured.get().splitlines():
        say(line.rstrip())


def shown(value: object) -> str:
    """A value for people: instants to the second in UTC, numbers without noise, nothing for None."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d %H:%M:%SZ")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.4g}"
    return f"{value:,}" if isinstance(value, int) else str(value)


@contextmanager
def progress(label: str) -> Iterator[Progress | None]:
    """A progress bar on stderr; None where stderr is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)

        def tell(done: int, total: int, rows: int = 0) -> None:
            said = f"{label}, {rows:,} rows" if rows else label
            bar.update(task, completed=done, total=total or None, description=said)

        yield tell
