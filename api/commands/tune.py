"""`coilbook tune`: the fleet's logs replayed under other settings, and a recommendation for each class."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from coilbook.api.commands.options import ListFormat, StoreOption, open_operations
from coilbook.api.csv_text import csv_text
from coilbook.api.output import note, print_json, progress, say
from coilbook.api.settings import read_settings

Text = str | None
MANY = "several separated by commas"


def tune(
    appliance: Annotated[list[str], typer.Argument(help="Classes such as pool_pump, or all.")],
    min_run: Annotated[Text, typer.Option(help=f"Minimum runs [min], {MANY}.")] = None,
    on_level: Annotated[Text, typer.Option(help=f"On levels, shares of own power, {MANY}.")] = None,
    off_level: Annotated[Text, typer.Option(help=f"Off levels, shares of own power, {MANY}.")] = None,
    on_delay: Annotated[Text, typer.Option(help=f"On delays [s], {MANY}.")] = None,
    off_delay: Annotated[Text, typer.Option(help=f"Off delays [s], {MANY}.")] = None,
    rest: Annotated[Text, typer.Option(help=f"Rests [min], {MANY}. Default: the registry's.")] = None,
    area: Annotated[list[str] | None, typer.Option(help="Only sites of this area; may be repeated.")] = None,
    pv_kw: Annotated[Text, typer.Option(help="Only sites of this PV rating [kW], such as 4-8.")] = None,
    battery: Annotated[Text, typer.Option(help="Only sites with, or without, a battery.")] = None,
    variability: Annotated[Text, typer.Option(help="Only sites of this PV variability, such as 1-3.")] = None,
    also_clock: Annotated[
        bool, typer.Option("--also-clock", help="Circuits that do not follow surplus too, as if they did.")
    ] = False,
    season: Annotated[Text, typer.Option(help="Only these months, such as 5-9 or 11-2.")] = None,
    first: Annotated[Text, typer.Option(help="First local date to replay.", metavar="DATE")] = None,
    last: Annotated[Text, typer.Option(help="Last local date to replay.", metavar="DATE")] = None,
    contactor_change: Annotated[Text, typer.Option(help="Price of a contactor change.")] = None,
    life_ops: Annotated[Text, typer.Option(help="Contactor life without figures in the registry.")] = None,
    start_cost: Annotated[Text, typer.Option(help="What a start costs the appliance itself.")] = None,
    own_kwh_value: Annotated[Text, typer.Option(help="Worth of a kWh that the appliance gets.")] = None,
    valid_from: Annotated[Text, typer.Option(help="When the registry rows begin.", metavar="DATE")] = None,
    name: Annotated[Text, typer.Option(help="Keep the result in the store under this name.")] = None,
    seed: Annotated[Text, typer.Option(help="Seed of the resampling.")] = None,
    resamples: Annotated[Text, typer.Option(help="Resamples of sites.")] = None,
    rows: Annotated[
        Path | None, typer.Option(help="Write the recommended settings as registry rows.", metavar="FILE.csv")
    ] = None,
    report: Annotated[Path | None, typer.Option(help="Write a report to read.", metavar="FILE.html")] = None,
    form: Annotated[
        ListFormat, typer.Option("--format", help="table to read, json or csv to go on with.")
    ] = ListFormat.table,
    store: StoreOption = None,
) -> None:
    """Replay the fleet's power logs under other settings, and say what the default should be."""
    # Here, so that the other commands do not wait for the replay's compiled parts.
    from coilbook.api.tune_models import detail
    from coilbook.api.tune_print import print_tuning, write_report, write_rows
    from coilbook.api.tune_text import order_from_text

    order = order_from_text(
        {
            "appliances": appliance, "min_runs_min": min_run, "on_levels": on_level, "off_levels": off_level,
            "on_delays_s": on_delay, "off_delays_s": off_delay, "min_rests_min": rest, "areas": area,
            "also_clock": "yes" if also_clock else None,
            "pv_kw": pv_kw, "battery": battery, "variability": variability, "months": season, "first": first,
            "last": last, "contactor_change": contactor_change, "default_life_ops": life_ops,
            "start_cost": start_cost, "own_kwh_value": own_kwh_value, "valid_from": valid_from, "name": name,
            "seed": seed, "resamples": resamples,
        }
    )  # fmt: skip
    order.request()
    with open_operations(read_settings(store=store)) as operations, progress("replaying sites") as tell:
        found = operations.tune(order, progress=tell)
    if form is ListFormat.json:
        print_json(detail(found))
    elif form is ListFormat.csv:
        curves = found.frames["curves"]
        say(csv_text(curves.columns, curves.iter_rows()).replace("\r\n", "\n").rstrip("\n"))
    else:
        print_tuning(found)
    if rows is not None:
        note(f"{write_rows(found, rows):,} rows of the circuits file written to {rows}")
    if report is not None:
        write_report(found, report)
        note(f"report written to {report}")
