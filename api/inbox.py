"""The inbox: files are loaded once they stand still, then moved out of the way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from coilbook.api.models import LedgerEntry

UNFINISHED = (".part", ".tmp", ".filepart", ".crdownload")
"""Endings under which programs write a file that is not whole yet."""

Stamp = tuple[int, int]


def stamps(inbox: Path) -> dict[Path, Stamp]:
    """Size [bytes] and time of change [ns] of each file of the inbox, links and hidden files left out."""
    found = {}
    for path in inbox.iterdir():
        if path.name.startswith(".") or path.name.lower().endswith(UNFINISHED):
            continue
        if path.is_file() and not path.is_symlink():
            stat = path.stat()
            found[path] = (stat.st_size, stat.st_mtime_ns)
    return found


def settled(inbox: Path, settle_s: float, wait: Callable[[float], object]) -> dict[Path, Stamp]:
    """The files that did not change while `wait` let `settle_s` seconds pass, by name."""
    before = stamps(inbox)
    if not before:
        return {}
    wait(settle_s)
    after = stamps(inbox)
    return {path: stamp for path, stamp in sorted(before.items()) if after.get(path) == stamp}


def put_away(
    inbox: Path, files: Sequence[Path], entries: Sequence[LedgerEntry], today: date
) -> tuple[int, int]:
    """Move loaded files to `done/<today>`, failed ones to `failed` with the reason; returns both counts."""
    reasons: dict[Path, list[str]] = {}
    for entry in entries:
        if entry.outcome == "failed":
            reasons.setdefault(Path(entry.path), []).append(entry.error or "no reason given")
    done, failed = inbox / "done" / today.isoformat(), inbox / "failed"
    for file in files:
        if file not in reasons:
            _move(file, done)
            continue
        moved = _move(file, failed)
        moved.with_name(f"{moved.name}.reason.txt").write_text(
            "\n".join(reasons[file]) + "\n", encoding="utf-8"
        )
    return len(files) - len(reasons), len(reasons)


def _move(file: Path, folder: Path) -> Path:
    """Move `file` into `folder`, under a name of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    target, number = folder / file.name, 1
    while target.exists():
        number += 1
        target = folder / f"{number}-{file.name}"
    return file.rename(target)
