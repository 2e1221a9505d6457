"""What can be asked of a store, the same whether this process holds it or a server does.

`Operations` is the list of it; `DirectOperations` works on an open store, `RemoteOperations` (remote.py) asks
the server that holds it. Commands and routes know only the list.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from coilbook.analytics.queries import header as header_queries
from coilbook.analytics.queries import morning as morning_queries
from coilbook.api.fields import naive, utc_now
from coilbook.api.models import Case, Header, LedgerEntry, MorningList, ReviewDone, SiteHistory
from coilbook.api.site_history import site_history
from coilbook.ingest.errors import InputError
from coilbook.ingest.load import load_paths
from coilbook.ingest.profiles import read_profile
from coilbook.ingest.store import Session, Store

if TYPE_CHECKING:
    from coilbook.analytics.queries.tune import Tuning
    from coilbook.api.tune_order import TuneOrder


class Progress(Protocol):
    """Told during long work: parts done, parts in all, and rows handled so far where rows are counted."""

    def __call__(self, done: int, total: int, rows: int = 0) -> None: ...


RECORD_DAYS = 28
"""Local days of window record and switching shown for a site, unless asked otherwise [d]."""


@dataclass(frozen=True)
class CaseFilter:
    """Which cases to list; None = any."""

    area: str | None = None
    severity: str | None = None
    rule: str | None = None
    state: str | None = None
    site_id: str | None = None
    include_cleared: bool = False
    person: str | None = None
    unassigned: bool = False
    include_snoozed: bool = False
    include_closed: bool = False


class Operations(Protocol):
    """Everything the command line does with a store."""

    def load(
        self, paths: Sequence[Path], *, profile: Path | None = None, progress: Progress | None = None
    ) -> list[LedgerEntry]:
        """Load files and folders; one ledger entry a file."""

    def review(
        self, *, as_of: datetime | None = None, rules: Path | None = None, progress: Progress | None = None
    ) -> ReviewDone:
        """Bring facts, findings and cases up to date. `as_of` carries its offset."""

    def morning(self, wanted: CaseFilter) -> MorningList:
        """The cases that stand, ranked."""

    def site(self, site_id: str, *, days: int = RECORD_DAYS) -> SiteHistory:
        """One site's history. `InputError` where the registry has no such site."""

    def tune(self, order: TuneOrder, *, progress: Progress | None = None) -> Tuning:
        """Replay the fleet under other settings; the result is kept where the order names it."""

    def export(self, table: str, target: Path) -> int:
        """Write a table to `target`, its format told by the suffix; the number of rows."""

    def backup(self, target: Path) -> None:
        """Copy the whole store to `target`."""


class DirectOperations:
    """Works on a store that this process holds."""

    def __init__(self, store: Store, *, rules: Path | None = None) -> None:
        self.store = store
        self._rules = rules

    def load(
        self,
        paths: Sequence[Path],
        *,
        profile: Path | None = None,
        progress: Progress | None = None,
        shown_as: Mapping[Path, str] | None = None,
    ) -> list[LedgerEntry]:
        """As in `Operations`; `shown_as` is what the ledger calls a file, where that is not its path."""
        source = read_profile(profile) if profile else None
        rows = load_paths(
            self.store, list(paths), profile=source, now=utc_now(), progress=progress, shown_as=shown_as
        )
        return [LedgerEntry.model_validate(row) for row in rows]

    def review(
        self, *, as_of: datetime | None = None, rules: Path | None = None, progress: Progress | None = None
    ) -> ReviewDone:
        """As in `Operations`."""
        from coilbook.analytics.review import review
        from coilbook.analytics.rule_settings import read_settings

        done = review(
            self.store,
            as_of=naive(as_of) if as_of else None,
            now=utc_now(),
            settings=read_settings(rules or self._rules),
            progress=progress,
        )
        return ReviewDone.model_validate(done)

    def morning(self, wanted: CaseFilter) -> MorningList:
        """As in `Operations`."""
        with self.store.reading() as session:
            found = morning_queries.morning_list(session, now=utc_now(), **vars(wanted))
            head = read_header(session, now=utc_now())
        return MorningList(
            header=head,
            snoozed=found.snoozed,
            closed=found.closed,
            cases=[Case.model_validate(row) for row in found.cases.to_dicts()],
        )

    def site(self, site_id: str, *, days: int = RECORD_DAYS) -> SiteHistory:
        """As in `Operations`."""
        with self.store.reading() as session:
            found = site_history(session, site_id, timedelta(days=days), now=utc_now())
        if found is None:
            raise InputError(f"no site {site_id!r} in the registry")
        return found

    def tune(self, order: TuneOrder, *, progress: Progress | None = None) -> Tuning:
        """As in `Operations`."""
        from coilbook.api.tune_running import THREADS, tune_here

        return tune_here(self.store, order, THREADS, progress)

    def export(self, table: str, target: Path) -> int:
        """As in `Operations`."""
        from coilbook.ingest.export import export_table

        return export_table(self.store, table, target)

    def backup(self, target: Path) -> None:
        """As in `Operations`."""
        from coilbook.ingest.backup import backup

        backup(self.store, target)


def read_header(session: Session, now: datetime | None = None) -> Header:
    """The last review in numbers; `now` [naive UTC] ends a snooze."""
    head = header_queries.header(session, now=now)
    told = {name: value for name, value in vars(head).items() if name != "not_judged"}
    return Header.model_validate({**told, "not_judged": head.not_judged.to_dicts()})
