"""`coilbook cases`: the morning list."""

from __future__ import annotations

from typing import Annotated

import typer
from coilbook.api.commands.options import ListFormat, StoreOption, open_operations
from coilbook.api.models import Case, Header, MorningList
from coilbook.api.operations import CaseFilter
from coilbook.api.output import print_csv, print_json, print_table, say, shown
from coilbook.api.settings import read_settings
from coilbook.dashboards import words

SEVERITIES = ("danger", "service", "cost", "wear", "data")
STATES = ("new", "continuing", "back", "snoozed", "closed", "cleared")


def cases(
    area: Annotated[str | None, typer.Option("--area", help="Only sites of this area.")] = None,
    severity: Annotated[str | None, typer.Option("--severity", help=f"Only {', '.join(SEVERITIES)}.")] = None,
    rule: Annotated[str | None, typer.Option("--rule", help="Only cases of this rule.")] = None,
    state: Annotated[str | None, typer.Option("--state", help=f"Only {', '.join(STATES)}.")] = None,
    form: Annotated[
        ListFormat, typer.Option("--format", help="table to read, json or csv to go on with.")
    ] = (ListFormat.table),
    store: StoreOption = None,
) -> None:
    """The morning list: which sites need somebody, why, and what to do; danger first."""
    _one_of("--severity", severity, SEVERITIES)
    _one_of("--state", state, STATES)
    with open_operations(read_settings(store=store)) as operations:
        found = operations.morning(CaseFilter(area=area, severity=severity, rule=rule, state=state))
    if form is ListFormat.json:
        print_json(found.cases)
    elif form is ListFormat.csv:
        print_csv(Case, found.cases)
    else:
        print_morning(found)


def print_morning(found: MorningList) -> None:
    """The morning list to read."""
    say(head_line(found.header))
    for reason in found.header.not_judged:
        sites = words.count(reason.sites, "site", "sites")
        say(f"not judged by every rule: {sites}, {words.plain(reason.reason, words.REASON)}")
    if found.snoozed or found.closed:
        say(f"put aside: {found.snoozed} snoozed, {found.closed} closed and not found again since")
    say("")
    print_cases(found.cases)


def head_line(head: Header) -> str:
    """What the list rests on."""
    if not head.review_id:
        return "nothing has been reviewed yet"
    return (
        f"logs up to {shown(head.horizon)}; {head.sites_judged} of {head.sites} sites judged; "
        f"{head.new} new, {head.continuing} continuing, {head.back} back, {head.cleared} cleared in 7 days, "
        f"{head.just_cleared} since yesterday"
    )


def print_cases(cases: list[Case]) -> None:
    """Cases as a table, in their order."""
    names = ("severity", "state", "site", "subject", "since", "a year", "finding", "next step")
    rows = (
        (
            case.severity,
            case.state,
            case.site_name or case.site_id,
            case.subject,
            str(case.since),
            money(case),
            case.sentence,
            case.next_step,
        )
        for case in cases
    )
    print_table(names, rows, right=("a year",))


def money(case: Case) -> str:
    """What a case costs in a year, with its currency."""
    return "" if case.cost_per_year is None else f"{case.cost_per_year:,.0f} {case.currency or ''}".strip()


def _one_of(option: str, value: str | None, known: tuple[str, ...]) -> None:
    if value is not None and value not in known:
        raise typer.BadParameter(f"{option} {value!r}: expected one of {', '.join(known)}")
