"""`coilbook review`: facts, findings and cases brought up to date."""

from __future__ import annotations

from typing import Annotated

import typer
from coilbook.api.commands.options import (
    Format,
    FormatOption,
    RulesOption,
    StoreOption,
    existing,
    instant,
    open_operations,
)
from coilbook.api.models import ReviewDone
from coilbook.api.output import print_json, progress, say, shown
from coilbook.api.settings import read_settings


def review(
    as_of: Annotated[
        str | None,
        typer.Option(
            "--as-of", help="Leave out logs from this instant on (RFC 3339 with offset).", metavar="INSTANT"
        ),
    ] = None,
    rules: RulesOption = None,
    form: FormatOption = Format.table,
    store: StoreOption = None,
) -> None:
    """Bring facts, findings and cases up to date with what was loaded."""
    settings = read_settings(store=store, rules=rules)
    until = instant(as_of) if as_of else None
    thresholds = existing([settings.rules])[0] if settings.rules else None
    with open_operations(settings) as operations, progress("reviewing") as tell:
        done = operations.review(as_of=until, rules=thresholds, progress=tell)
    if form is Format.json:
        print_json(done)
    else:
        say(sentence(done))


def sentence(done: ReviewDone) -> str:
    """What a review did, in words."""
    return (
        f"review {done.review_id}: {shown(done.site_days)} site-days computed anew, "
        f"{shown(done.findings)} findings stand; "
        f"logs up to {shown(done.horizon) or 'nothing yet'}"
    )
