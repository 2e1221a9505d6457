"""Asks the server that holds a store, over loopback, for what the command line would else do itself."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urlencode

from coilbook.api.models import LedgerEntry, MorningList, ReviewDone, SiteHistory
from coilbook.api.operations import RECORD_DAYS, CaseFilter, Operations, Progress
from coilbook.api.settings import bracketed
from coilbook.api.side_file import ServerPlace, read_side_file, side_file
from coilbook.ingest.errors import InputError, StoreError, StoreInUse
from pydantic import BaseModel, TypeAdapter

if TYPE_CHECKING:
    from coilbook.analytics.queries.tune import Tuning
    from coilbook.api.tune_order import TuneOrder

M = TypeVar("M", bound=BaseModel)

TOKEN_HEADER = "X-Coilbook-Token"
GREET_WITHIN_S = 10.0
LEDGER = TypeAdapter(list[LedgerEntry])


def ask_server(store: Path) -> Operations:
    """The server that holds `store`. Raises `StoreInUse` where none answers."""
    place = read_side_file(store)
    remote = RemoteOperations(place)
    try:
        remote.greet()
    except (OSError, StoreError, http.client.HTTPException) as exc:
        raise StoreInUse(
            f"store {store} is held by another process, but the server named in {side_file(store)} "
            f"(process {place.pid}, {place.host} port {place.port}) does not answer: {exc}; "
            "end the process that holds the store, or wait for it"
        ) from exc
    return remote


class RemoteOperations:
    """`Operations` by way of the server at `place`. Paths are absolute: the server reads and writes them."""

    def __init__(self, place: ServerPlace) -> None:
        self._place = place

    def greet(self) -> None:
        """Make sure that the server at this place knows our token."""
        with self._answer("GET", "/local/hello", within_s=GREET_WITHIN_S) as response:
            response.read()

    def load(
        self, paths: Sequence[Path], *, profile: Path | None = None, progress: Progress | None = None
    ) -> list[LedgerEntry]:
        """As in `Operations`; the server reads the files."""
        body = {"paths": [str(path) for path in paths], "profile": str(profile) if profile else None}
        return LEDGER.validate_json(self._text("POST", "/local/load", body))

    def review(
        self, *, as_of: datetime | None = None, rules: Path | None = None, progress: Progress | None = None
    ) -> ReviewDone:
        """As in `Operations`; without `rules` those of the server hold."""
        body = {"as_of": as_of.isoformat() if as_of else None, "rules": str(rules) if rules else None}
        return ReviewDone.model_validate_json(self._text("POST", "/local/review", body))

    def morning(self, wanted: CaseFilter) -> MorningList:
        """As in `Operations`."""
        return MorningList.model_validate_json(self._text("GET", f"/api/cases{_query(vars(wanted))}"))

    def site(self, site_id: str, *, days: int = RECORD_DAYS) -> SiteHistory:
        """As in `Operations`."""
        path = f"/local/site{_query({'site_id': site_id, 'days': days})}"
        return SiteHistory.model_validate_json(self._text("GET", path))

    def tune(self, order: TuneOrder, *, progress: Progress | None = None) -> Tuning:
        """As in `Operations`; called off in the server where this process is interrupted."""
        from coilbook.api.tune_remote import tune_there

        return tune_there(self._text, order, progress)

    def export(self, table: str, target: Path) -> int:
        """As in `Operations`; the server writes the file."""
        body = {"table": table, "target": str(target)}
        return int(json.loads(self._text("POST", "/local/export", body))["rows"])

    def backup(self, target: Path) -> None:
        """As in `Operations`; the server writes the file."""
        self._text("POST", "/local/backup", {"target": str(target)})

    def _text(self, method: str, path: str, body: object = None) -> bytes:
        with self._answer(method, path, body) as response:
            return response.read()

    @contextmanager
    def _answer(
        self, method: str, path: str, body: object = None, within_s: float | None = None
    ) -> Iterator[http.client.HTTPResponse]:
        connection = http.client.HTTPConnection(self._place.host, self._place.port, timeout=within_s)
        headers = {
            "Host": f"{bracketed(self._place.host)}:{self._place.port}",
            TOKEN_HEADER: self._place.token,
            "Content-Type": "application/json",
        }
        try:
            connection.request(method, path, None if body is None else json.dumps(body), headers)
            response = connection.getresponse()
            if response.status >= 400:
                raise _refused(response)
            yield response
        finally:
            connection.close()


def _query(values: Mapping[str, Any]) -> str:
    given = {name: str(value).lower() if isinstance(value, bool) else value for name, value in values.items()}
    text = urlencode({name: value for name, value in given.items() if value is not None})
    return f"?{text}" if text else ""


def _refused(response: http.client.HTTPResponse) -> InputError | StoreError:
    """The server's problem as the error that this process would have raised itself."""
    text = response.read()
    try:
        detail = str(json.loads(text)["detail"])
    except (ValueError, KeyError, TypeError):
        detail = f"the server answered {response.status} {response.reason}"
    return InputError(detail) if response.status in (404, 422) else StoreError(detail)
