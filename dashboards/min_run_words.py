"""Words of the page on the minimum run: what was asked, how two results differ, what the past says."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.palette import BLACK, GREEN
from coilbook.dashboards.tables import Table, heads
from markupsafe import Markup

ASKED = {
    "appliances": "classes",
    "areas": "areas",
    "also_clock": "circuits that do not follow surplus",
    "pv_kw": "rated PV [kW]",
    "battery": "battery",
    "variability": "variability of the PV",
    "min_runs_min": "minimum runs [min]",
    "on_levels": "on levels, of own power",
    "off_levels": "off levels, of own power",
    "on_delays_s": "on delays [s]",
    "off_delays_s": "off delays [s]",
    "min_rests_min": "rests [min]",
    "months": "months",
    "first": "first date",
    "last": "last date",
    "valid_from": "rows hold from",
    "contactor_change": "price of a contactor change",
    "default_life_ops": "contactor life without figures [operations]",
    "start_cost": "cost of a start to the appliance",
    "own_kwh_value": "worth of a kWh of its own energy",
    "seed": "seed",
    "resamples": "resamples",
}
WITHOUT_END = 1e8


def said_alone(sentence: str) -> str:
    """A recommendation's sentence without the class that it begins with: the heading names that."""
    rest = sentence.partition(": ")[2] or sentence
    return rest[:1].upper() + rest[1:]


def part_key(place: int) -> str:
    """The id of a class's section."""
    return f"class-{place}"


def summary_table(made: pl.DataFrame) -> Table:
    """One line a class: the answer, how sure it is, what it saves."""
    rows = [
        [
            Markup('<a href="#{}">{}</a>').format(
                part_key(place),
                words.plain(one["appliance"], words.APPLIANCE)
                + (f", {one['currency']}" if (made["appliance"] == one["appliance"]).sum() > 1 else ""),
            ),
            _answer(one),
            words.percent(one["agreement"]),
            f"{words.number(one['saving'], 2)} {one['currency']}" if one["enough"] else words.DASH,
            f"{words.number(one['saving_low'], 2)} to {words.number(one['saving_high'], 2)}"
            if one["enough"]
            else words.DASH,
            words.number(one["sites_worse"]) if one["enough"] else words.DASH,
            f"{words.number(one['circuits'])}, {words.number(one['sites'])}, {words.number(one['days'])}",
        ]
        for place, one in enumerate(made.iter_rows(named=True))
    ]
    names = heads(
        "Class", "~Answer", "#Resamples agree", "#Saves a circuit and year", "#90 % interval",
        "#Sites worse off", "#Circuits, sites, days",
    )  # fmt: skip
    return Table("In short", names, rows)


def asked_table(shown: Mapping[str, Any]) -> Table:
    """What was asked, where it is not the default, with seed, time and duration."""
    rows = [[ASKED.get(name, name), _value(name, value)] for name, value in shown["request"].items()]
    if "seed" not in shown["request"]:
        rows.append(["seed of the resampling", str(shown["seed"])])
    rows.append(["made (UTC)", words.moment(shown["made_at"])])
    rows.append(["took", words.duration(shown["duration_s"])])
    return Table("What was asked; the rest stood at its default", heads("What", "~Value"), rows)


def compared_table(
    one: Mapping[str, Any], earlier: Mapping[str, Any], asked: Mapping[str, Any]
) -> Table | None:
    """One class beside the same class of an earlier result, with what was `asked` otherwise; None where that
    has no such class.
    """
    made: pl.DataFrame = earlier["frames"]["recommendations"]
    same = made.filter(pl.col("appliance") == one["appliance"], pl.col("currency") == one["currency"])
    if same.is_empty():
        return None
    old = same.row(0, named=True)
    both = [(name, say(old), say(one)) for name, say in _COMPARED.items()]
    rows = [[name, before, after] for name, before, after in both]
    before = earlier["request"]
    moved = [ASKED.get(k, k) for k in sorted({*asked, *before}) if asked.get(k) != before.get(k)]
    more = f"The two were asked differently: {', '.join(moved)}." if moved else "Both were asked the same."
    names = heads("What", f"{earlier['name'] or 'earlier'}", "this one")
    return Table("Beside an earlier result", names, rows, more)


def past_sentence(past: pl.DataFrame, appliance: str) -> str:
    """How far the replay was out for past changes of a class, or that there is nothing to compare with."""
    of_class = past.filter(pl.col("appliance") == appliance)
    judged = of_class.filter(pl.col("starts_error").is_not_null())
    if of_class.is_empty():
        return (
            "No minimum run of this class was ever changed, so the replay cannot be checked against a change."
        )
    if judged.is_empty():
        many = words.count(of_class.height, "past change", "past changes")
        return f"{many} of this class could not be judged; the table says why."
    error, effect = judged["starts_error"], judged["starts_effect"]
    out, bias, size = (_number(value) for value in (error.abs().mean(), error.mean(), effect.abs().mean()))
    many = words.count(judged.height, "past change", "past changes")
    return (
        f"{many} of this class judged: the replay was out by {words.number(out, 2)} starts a day in the mean "
        f"({_signed(bias)} with its sign), where the changes themselves were {words.number(size, 2)}."
    )


def shape_of(enough: bool) -> Markup:
    """A closed contact for a recommendation, an open one for not enough to tell; words stand beside it."""
    blade = "M4 9h16" if enough else "M4 9 18 3"
    colour = GREEN if enough else BLACK
    return Markup(
        '<svg class="shape" viewBox="0 0 24 18" width="24" height="18" aria-hidden="true" focusable="false">'
        '<circle cx="4" cy="9" r="2.6" fill="{c}"/><circle cx="20" cy="9" r="2.6" fill="{c}"/>'
        '<path d="{d}" fill="none"/></svg>'
    ).format(c=colour, d=blade)


def _answer(one: Mapping[str, Any]) -> str:
    if one["enough"]:
        return str(one["words"])
    return f"not enough to tell{'' if one['words'] is None else ' (least costly: ' + one['words'] + ')'}"


_COMPARED: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "answer": _answer,
    "agreement of resamples": lambda one: words.percent(one["agreement"]),
    "cost of a circuit and year": lambda one: words.number(one["cost"], 2),
    "the same with today's setting": lambda one: words.number(one["today_cost"], 2),
    "saving, 90 % interval": lambda one: (
        f"{words.number(one['saving'], 2)} ({words.number(one['saving_low'], 2)} to "
        f"{words.number(one['saving_high'], 2)})"
    ),
    "sites that would pay more": lambda one: words.number(one["sites_worse"]),
    "circuits, sites, days": lambda one: (
        f"{words.number(one['circuits'])}, {words.number(one['sites'])}, {words.number(one['days'])}"
    ),
}


def _value(name: str, value: Any) -> str:
    if name == "appliances":
        return ", ".join(words.plain(one, words.APPLIANCE) for one in value)
    if name in ("pv_kw", "variability"):
        low, high = value
        return f"from {low:g}" if high > WITHOUT_END else f"from {low:g} to under {high:g}"
    if name == "also_clock":
        return "taken as if they did"
    if name == "battery":
        return "with" if value else "without"
    if isinstance(value, list):
        return ", ".join(f"{one:g}" if isinstance(one, float) else str(one) for one in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _signed(value: float | None) -> str:
    return f"+{words.number(value, 2)}" if value is not None and value > 0 else words.number(value, 2)
