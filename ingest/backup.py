"""A whole store as one file, and back. Neither way ever overwrites a file."""

from __future__ import annotations

import shutil
from pathlib import Path

from coilbook.ingest.errors import InputError, StoreError
from coilbook.ingest.store import Session, Store
from coilbook.ingest.target import replacing


def backup(store: Store, target: Path) -> None:
    """Copy everything committed into a new store file; other work may go on meanwhile, loads wait.

    Raises `InputError` where `target` exists or cannot be written.
    """
    if not target.parent.is_dir():
        raise InputError(f"{target}: folder {target.parent} does not exist")
    with replacing(target, overwrite=False) as path, store.copying() as session:
        _copy(session, path)


def restore(source: Path, target: Path) -> None:
    """Make a new store file of a backup, brought to this version's schema.

    Raises `InputError` where `source` is missing or no whole store, or `target` exists.
    """
    if not source.is_file():
        raise InputError(f"{source}: no such file")
    if source.with_name(source.name + ".wal").exists():
        raise InputError(f"{source} is a store in use, not a backup; make one with backup")
    with replacing(target, overwrite=False) as path:
        shutil.copyfile(source, path)
        try:
            Store.open(path).close()
        except StoreError as exc:
            raise InputError(f"{source} cannot be restored: {exc}".replace(str(path), source.name)) from exc
        finally:
            for left in path.parent.glob(f"{path.name}.*"):
                left.unlink()


def _copy(session: Session, path: Path) -> None:
    quoted = str(path).replace("'", "''")
    here = session.one("SELECT current_database()")
    assert here
    session.run(f"ATTACH '{quoted}' AS backup_copy")
    try:
        session.run(f'COPY FROM DATABASE "{here[0]}" TO backup_copy')
        session.run("CHECKPOINT backup_copy")
    finally:
        session.run("DETACH backup_copy")
