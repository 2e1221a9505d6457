"""A tuning asked of the server that holds the store: begun, watched, fetched."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Protocol

from coilbook.analytics.queries.tune import Tuning
from coilbook.analytics.replay.fleet import Progress
from coilbook.api.tune_bundle import unpack
from coilbook.api.tune_models import TuningProgress
from coilbook.api.tune_order import TuneOrder
from coilbook.ingest.errors import StoreError

LOOK_S = 0.3
"""Time between two looks at a running tuning [s]."""


class Ask(Protocol):
    """One request to the server: method, path, body; the answer's text."""

    def __call__(self, method: str, path: str, body: object = None) -> bytes: ...


def tune_there(ask: Ask, order: TuneOrder, progress: Progress | None) -> Tuning:
    """Tune in the server. A result without a name is taken off the server's record."""
    begun = TuningProgress.model_validate_json(ask("POST", "/api/tunings", order.model_dump(mode="json")))
    place = f"/api/tunings/{begun.tune_run_id}"
    try:
        while True:
            at = TuningProgress.model_validate_json(ask("GET", f"{place}/progress"))
            if at.state != "running":
                break
            if progress is not None and at.sites:
                progress(at.sites_done, at.sites)
            time.sleep(LOOK_S)
    except KeyboardInterrupt:
        ask("POST", f"{place}/cancel")
        raise
    try:
        if at.state != "done":
            raise StoreError(f"the tuning is {at.state}: {at.sentence or 'no reason given'}")
        found = unpack(ask("GET", f"{place}/frames"))
    finally:
        if order.name is None:
            ask("DELETE", place)
    return found if order.name is not None else replace(found, tune_run_id=0)
