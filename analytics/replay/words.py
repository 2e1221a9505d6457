"""A recommendation in a sentence with its numbers, or in a sentence that says it cannot tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coilbook.analytics.replay.request import TuneRequest
from coilbook.analytics.rules.words import MINUS, THIN

if TYPE_CHECKING:
    from coilbook.analytics.replay.recommend import Recommendation


USUAL_LEAST_S = 1800.0  # common practice for pumps and compressors on surplus
KEPT_ON = ("air_conditioner", "heat_pump", "pool_pump", "well_pump")


def figure(value: float, places: int = 0) -> str:
    """A number as sentences write it: thin spaces between thousands, a true minus, no minus before zero."""
    return f"{value:z,.{places}f}".replace(",", THIN).replace("-", MINUS)


def counted(number: int, one: str, many: str) -> str:
    """`1 site`, `3 sites`."""
    return f"{figure(number)} {one if number == 1 else many}"


def gains(made: Recommendation) -> bool:
    """Whether the recommendation changes the cost of any circuit by as much as a cent."""
    return max(abs(made.saving), abs(made.saving_low), abs(made.saving_high)) >= 0.005


def sentence(made: Recommendation, request: TuneRequest) -> str:
    """The recommendation of one class in words."""
    name = made.appliance.replace("_", " ")
    base = (
        f"{counted(made.circuits, 'circuit', 'circuits')} at {counted(made.sites, 'site', 'sites')} over "
        f"{figure(made.days)} days; {figure(request.resamples)} resamples of sites, seed {request.seed}"
    )
    if made.candidate is None or not made.decision.enough:
        lead = "" if made.candidate is None else f" Least costly in the replay was {made.candidate.words()}."
        return f"{name}: not enough to tell, because {' and '.join(made.decision.reasons)}.{lead} ({base}.)"
    gain = f"{figure(abs(made.saving), 2)} {made.currency} {'less' if made.saving >= 0 else 'more'}"
    span = f"90 % interval of the saving {figure(made.saving_low, 2)} to {figure(made.saving_high, 2)}"
    against = f"{gain} than today's settings ({span})" if gains(made) else "the same as today's settings"
    many = counted(made.sites_worse, "site", "sites")
    worse = "no site would pay more" if made.sites_worse == 0 else f"{many} would pay more"
    cost = f"It costs {figure(made.cost, 2)} {made.currency} a circuit and year"
    return (
        f"{name}: {made.candidate.words()}. {cost}, {against}; "
        f"{made.decision.agreement:.0%} of resamples agree; {worse}.{_caution(made)} ({base}.)"
    )


def _caution(made: Recommendation) -> str:
    short = made.candidate is not None and made.candidate.min_run_s < USUAL_LEAST_S
    if not short or made.appliance not in KEPT_ON:
        return ""
    return (
        " Common practice keeps pumps and compressors on for 30 min at least: look at the price of a start "
        "before going under it."
    )
