"""The morning list as files in the outbox, read and written in one go."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from coilbook.analytics.queries import header as header_queries
from coilbook.analytics.queries import morning as morning_queries
from coilbook.api.csv_text import records_csv
from coilbook.api.models import Case
from coilbook.dashboards.morning_file import morning_file
from coilbook.ingest.errors import InputError
from coilbook.ingest.store import Store


@dataclass(frozen=True)
class MorningFiles:
    """The files written, and how many cases they hold."""

    paths: list[Path]
    cases: int


def write_morning(store: Store, outbox: Path, today: date, now: datetime) -> MorningFiles:
    """Write `morning-<today>.html` and `.csv`; a file of that name is replaced once the new one is whole.

    `now`: the wall clock [naive UTC], by which snoozed cases come back.
    """
    if not outbox.is_dir():
        raise InputError(f"outbox {outbox}: no such folder")
    with store.reading() as session:
        cases = morning_queries.morning(session, now=now)
        page = morning_file(header_queries.header(session, now=now), cases)
    records = [Case.model_validate(row) for row in cases.to_dicts()]
    texts = {".html": page, ".csv": records_csv(Case, records)}
    stem = f"morning-{today.isoformat()}"
    paths = [_write(outbox / f"{stem}{ending}", text) for ending, text in texts.items()]
    return MorningFiles(paths, cases.height)


def _write(target: Path, text: str) -> Path:
    draft = target.with_name(f".{target.name}.part")
    draft.write_text(text, encoding="utf-8", newline="")
    return draft.replace(target)
