"""`coilbook site`: one site's history."""

from __future__ import annotations

from typing import Annotated

import typer
from coilbook.api.commands.cases import print_cases
from coilbook.api.commands.options import Format, FormatOption, StoreOption, open_operations
from coilbook.api.models import SiteHistory
from coilbook.api.operations import RECORD_DAYS
from coilbook.api.output import print_json, print_table, say, shown
from coilbook.api.settings import read_settings


def site(
    site_id: Annotated[str, typer.Argument(help="The site's id.", metavar="ID")],
    days: Annotated[
        int, typer.Option("--days", min=1, help="Local days of record, up to its last.")
    ] = RECORD_DAYS,
    form: FormatOption = Format.table,
    store: StoreOption = None,
) -> None:
    """One site: what is fitted, what stands open, and what its circuits did."""
    with open_operations(read_settings(store=store)) as operations:
        found = operations.site(site_id, days=days)
    if form is Format.json:
        print_json(found)
    else:
        print_site(found)


def print_site(found: SiteHistory) -> None:
    """A site's history to read."""
    say(f"{found.site_id}  {found.name or ''}  {found.area or ''}  {found.timezone or ''}".rstrip())
    say(f"logs from {found.first_day or '-'} to {found.last_day or '-'}, newest row {shown(found.last_row)}")
    _section("cautions")
    for caution in found.cautions:
        say(f"- {caution}")
    _section("circuits")
    names = (
        "circuit",
        "appliance",
        "rated W",
        "contactor",
        "min run s",
        "operations",
        "life used",
        "a day",
        "worn out",
    )
    print_table(
        names,
        (
            (
                c.circuit_id,
                c.appliance,
                c.rated_w,
                c.contactor,
                c.min_run_s,
                c.ops,
                "not known" if c.used is None else f"{c.used:.0%}",
                c.ops_per_day,
                None if c.date_100 is None else str(c.date_100),
            )
            for c in found.circuits
        ),
        right=("rated W", "min run s", "operations", "life used", "a day"),
    )
    _section(f"switching since {found.record_from}")
    print_table(
        ("circuit", "days", "starts", "hours on", "short runs", "kWh", "kWh bought"),
        (
            (t.circuit_id, t.days, t.starts, t.on_s / 3600, t.short_runs, _kwh(t.own_wh), _kwh(t.grid_wh))
            for t in found.switching
        ),
        right=("days", "starts", "hours on", "short runs", "kWh", "kWh bought"),
    )
    _section("windows")
    print_table(
        ("circuit", "window", "kind", "days by verdict"),
        (
            (
                w.circuit_id,
                w.window_id,
                w.kind,
                ", ".join(f"{name} {days}" for name, days in w.verdicts.items()),
            )
            for w in found.windows
        ),
    )
    _section("open cases")
    print_cases(found.open_cases)
    _section("past cases")
    print_cases(found.past_cases)
    _section("settings changed")
    print_table(
        ("circuit", "from", "setting", "before", "after"),
        (
            (s.circuit_id, str(s.valid_from or ""), s.setting, s.before, s.after)
            for s in found.settings_history
        ),
    )
    _section("service log")
    print_table(
        ("date", "circuit", "action", "note"),
        ((str(e.date), e.circuit_id, e.action, e.note) for e in found.service_log),
    )


def _section(title: str) -> None:
    say("")
    say(title)


def _kwh(wh: float | None) -> float | None:
    return None if wh is None else wh / 1000
