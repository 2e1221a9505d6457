"""The morning list as files in the outbox."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from coilbook.api.csv_text import records_csv
from coilbook.api.models import Case, MorningList


def write_morning(outbox: Path, found: MorningList, today: date) -> list[Path]:
    """Write `morning-<today>.csv` to the outbox; the paths. Each file appears whole."""
    stem = f"morning-{today.isoformat()}"
    texts = {f"{stem}.csv": records_csv(Case, found.cases)}
    return [_write(outbox / name, text) for name, text in texts.items()]


def _write(target: Path, text: str) -> Path:
    draft = target.with_name(f".{target.name}.part")
    draft.write_text(text, encoding="utf-8", newline="")
    return draft.replace(target)
