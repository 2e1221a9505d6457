"""What a tuning takes for granted, in sentences: whoever reads a recommendation reads these beside it."""

from __future__ import annotations

from collections.abc import Sequence

from coilbook.analytics.replay.costs import CostSettings
from coilbook.analytics.replay.request import TuneRequest
from coilbook.analytics.replay.words import figure

PLACEHOLDER = "a placeholder of ours, not a price of yours"

ALWAYS = (
    "The battery is taken as it was: a replay does not charge or discharge it otherwise.",
    "The appliance is taken to draw its own power for as long as its contactor is closed.",
    "Each circuit is replayed alone; the others at its site stay as they were.",
    "Hand commands are not replayed.",
    "Today's setting is replayed too, with the same levels and delays as the candidates: only the least run "
    "time differs, and the rest is the registry's.",
)
CLOCK = "Circuits that run by the clock or by hand alone are replayed as if they followed surplus as well."


def assumptions(request: TuneRequest, currencies: Sequence[str]) -> tuple[str, ...]:
    """The sentences that hold for `request`; prices that nobody gave are marked as placeholders."""
    unit = "/".join(currencies) or "of the tariff's currency"
    clock = () if request.cohort.followers else (CLOCK,)
    return (*ALWAYS, *clock, _worth(request.costs, unit), *_closings(request, unit), _year(request))


def _worth(costs: CostSettings, unit: str) -> str:
    if costs.own_kwh_value:
        return (
            f"A kWh of the appliance's own energy is taken to be worth {costs.own_kwh_value:g} {unit} to its "
            "owner, and is set against the cost."
        )
    return (
        "Run time itself has no value in the cost: a setting that runs the appliance less looks cheaper. "
        "Give the worth of a kWh of its own energy, or read the cost a kWh of own energy beside the cost."
    )


def _closings(request: TuneRequest, unit: str) -> list[str]:
    costs = request.costs
    change, life = _marked(costs, "contactor_change"), _marked(costs, "default_life_ops")
    starts = ", ".join(
        f"{name.replace('_', ' ')} {costs.start_costs.get(name, 0.0):g} {unit}"
        for name in request.appliances or sorted(costs.start_costs)
    )
    return [
        f"Changing a contactor costs {costs.contactor_change:g} {unit}{change}; where the registry has no "
        f"life figures it is taken to last {figure(costs.default_life_ops)} operations{life}.",
        f"A start costs the appliance itself, beside its contactor: {starts or 'nothing'}"
        f"{_marked(costs, 'start_costs')}.",
    ]


def _year(request: TuneRequest) -> str:
    year = "the months asked for" if request.months else "the year"
    return (
        f"Yearly figures take {year} to go on like the days replayed: a season that is not among them is not "
        "in the result."
    )


def _marked(costs: CostSettings, name: str) -> str:
    return "" if name in costs.given else f" ({PLACEHOLDER})"
