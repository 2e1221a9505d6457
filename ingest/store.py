"""The one file that opens the database, and the one place that runs SQL.

DuckDB lets one process own a store. `Store` holds that connection; each reader or writer works on a
`Session`, a cursor of its own. Writers come one after another through a lock, each in one transaction. A
statement that fails is reported with its head and its bound values.
"""

from __future__ import annotations

import contextlib
import itertools
import re
import shutil
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
from coilbook.ingest.errors import InputError, StatementFailed, StoreError, StoreInUse, StoreTooNew
from coilbook.ingest.migrations import STEPS, Step

Values = Sequence[Any] | Mapping[str, Any] | None

MEMORY_LIMIT = "750MB"
CHECKPOINT_AT = "256MB"
# What the engine says when the disk is full or taken away.
_UNWRITTEN = re.compile(r"Could not (?:write|sync|fsync|truncate)[^:]*: ([^—\n]+?)(?: —|$)")


class Session:
    """One cursor. Not for sharing between threads."""

    def __init__(self, cursor: duckdb.DuckDBPyConnection) -> None:
        self.cursor = cursor

    def run(self, sql: str, values: Values = None) -> None:
        """Run one statement for its effect."""
        self._execute(sql, values)

    def rows(self, sql: str, values: Values = None) -> list[tuple[Any, ...]]:
        """All rows of a query."""
        return self._execute(sql, values).fetchall()

    def one(self, sql: str, values: Values = None) -> tuple[Any, ...] | None:
        """The first row of a query, or None."""
        found = self._execute(sql, values).fetchall()
        return found[0] if found else None

    def frame(self, sql: str, values: Values = None) -> pl.DataFrame:
        """A query's result as a Polars frame; instants are naive UTC Datetime[us]."""
        try:
            frame = pl.from_arrow(self.cursor.sql(sql, params=values).to_arrow_table())
        except duckdb.Error as exc:
            raise _failed(sql, values, exc) from exc
        assert isinstance(frame, pl.DataFrame)
        return frame

    def frames(self, sql: str, rows: int) -> Iterator[pl.DataFrame]:
        """A query's result by frames of about `rows` rows; at least one frame, if an empty one."""
        try:
            reader = self.cursor.sql(sql).to_arrow_reader(rows)
            yield _polars(reader.schema.empty_table())
            for batch in reader:
                yield _polars(batch)
        except duckdb.Error as exc:
            raise _failed(sql, None, exc) from exc

    def put(self, table: str, frame: pl.DataFrame) -> None:
        """Append `frame` to `table`, columns matched by name."""
        if frame.is_empty():
            return
        columns = ", ".join(f'"{name}"' for name in frame.columns)
        self.cursor.register("_incoming", frame.to_arrow())
        try:
            self.run(f'INSERT INTO "{table}" ({columns}) SELECT {columns} FROM _incoming')  # noqa: S608 - names, not values
        finally:
            self.cursor.unregister("_incoming")

    def temporary(self, table: str, frame: pl.DataFrame) -> None:
        """Make `frame` a temporary table of this session, in place of one of the same name."""
        self.cursor.register("_incoming", frame.to_arrow())
        try:
            self.run(f'CREATE OR REPLACE TEMP TABLE "{table}" AS SELECT * FROM _incoming')  # noqa: S608 - a name
        finally:
            self.cursor.unregister("_incoming")

    def _execute(self, sql: str, values: Values) -> duckdb.DuckDBPyConnection:
        try:
            return self.cursor.execute(sql, values) if values is not None else self.cursor.execute(sql)
        except duckdb.Error as exc:
            head = " ".join(sql.split())[:300]
            raise StatementFailed(
                f"{type(exc).__name__}: {exc} — in: {head} — with: {values!r}"[:2000]
            ) from exc


class Store:
    """An open store file. Use `Store.open`; close it when done, or use it as a context manager."""

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection) -> None:
        self.path = path
        self._connection = connection
        self._write_lock = threading.RLock()
        self._load_lock = threading.RLock()
        self._people_lock = threading.Lock()
        self._commits = itertools.count(1)
        self.version = 0
        """Another number after each commit of this process: what was read at the same number is the same."""
        self.logs_version = 0
        """The same for all but what people do: logs, registry, facts, findings."""

    @classmethod
    def open(cls, path: Path | str, *, memory_limit: str = MEMORY_LIMIT, threads: int | None = None) -> Store:
        """Open the store at `path`, creating or migrating it.

        Raises `StoreInUse` while another process owns it, `StoreTooNew` where it was written by a newer
        schema, `StoreError` where the file is no store.
        """
        path = Path(path)
        if not path.parent.is_dir():
            raise InputError(f"store {path}: folder {path.parent} does not exist")
        store = cls(path, _connect(path, memory_limit, threads))
        try:
            store._migrate()
        except BaseException:
            store.close()
            raise
        return store

    def close(self) -> None:
        """Close the connection; what was committed stays."""
        self._connection.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session for queries, each seeing the newest committed state."""
        cursor = self._connection.cursor()
        try:
            yield Session(cursor)
        finally:
            cursor.close()

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """A session in one transaction under the write lock; rolled back on an error."""
        with self._write_lock, self._transaction() as session:
            yield session
        self.logs_version = self.version

    @contextmanager
    def noting(self) -> Iterator[Session]:
        """A session in one transaction that writes tables of group "people" only; rolled back on an error.

        No load and no review writes these tables, so what people do has a lock of its own and waits for none.
        """
        with self._people_lock, self._transaction() as session:
            yield session

    @contextmanager
    def _transaction(self) -> Iterator[Session]:
        cursor = self._connection.cursor()
        session = Session(cursor)
        try:
            session.run("BEGIN TRANSACTION")
            yield session
            session.run("COMMIT")
            self.version = next(self._commits)
        except BaseException as exc:
            with contextlib.suppress(duckdb.Error):  # a failed COMMIT has ended the transaction already
                cursor.execute("ROLLBACK")
            if unwritten := _UNWRITTEN.search(str(exc)):
                raise StoreError(f"store {self.path} cannot be written: {unwritten[1]}") from exc
            raise
        finally:
            cursor.close()

    @contextmanager
    def loading(self) -> Iterator[None]:
        """Held over a whole load, so that no other load changes the registry between two of its files."""
        with self._load_lock:
            yield

    @contextmanager
    def copying(self) -> Iterator[Session]:
        """A session under the write lock, but in no transaction of its own: to copy the whole store."""
        with self._write_lock, self.reading() as session:
            yield session

    def checkpoint(self) -> None:
        """Fold the write-ahead log into the file."""
        with self._write_lock, self._people_lock, self.reading() as session:
            session.run("CHECKPOINT")

    def _migrate(self) -> None:
        applied = self._applied_steps()
        known = [step.name for step in STEPS]
        strangers = applied - set(known)
        if strangers:
            raise StoreTooNew(
                f"store {self.path} has schema steps {sorted(strangers)} that this version does not know"
            )
        missing = [step for step in STEPS if step.name not in applied]
        if not missing:
            return
        if not applied:  # a new store has the newest schema whole
            self._apply(STEPS[0], known)
            return
        self.checkpoint()
        shutil.copyfile(self.path, self.path.with_name(f"{self.path.name}.before-{missing[0].name}"))
        for step in missing:
            self._apply(step, [step.name])

    def _apply(self, step: Step, names: Sequence[str]) -> None:
        """Run a step and record the steps `names` as applied, in one transaction."""
        now = datetime.now(UTC).replace(tzinfo=None)
        with self.writing() as session:
            for statement in step.statements:
                session.run(statement)
            for name in names:
                session.run("INSERT INTO schema_step VALUES (?, ?)", [name, now])

    def _applied_steps(self) -> set[str]:
        with self.reading() as session:
            tables = {
                row[0] for row in session.rows("SELECT table_name FROM duckdb_tables() WHERE NOT temporary")
            }
            if "schema_step" in tables:
                return {row[0] for row in session.rows("SELECT name FROM schema_step")}
        if tables:
            raise StoreError(
                f"{self.path} is a DuckDB file but not a store of this program; name another with --store"
            )
        return set()


def _polars(arrow: Any) -> pl.DataFrame:
    frame = pl.from_arrow(arrow)
    assert isinstance(frame, pl.DataFrame)
    return frame


def _failed(sql: str, values: Values, exc: duckdb.Error) -> StatementFailed:
    head = " ".join(sql.split())[:300]
    return StatementFailed(f"{type(exc).__name__}: {exc} — in: {head} — with: {values!r}"[:2000])


def _connect(path: Path, memory_limit: str, threads: int | None) -> duckdb.DuckDBPyConnection:
    config: dict[str, Any] = {"memory_limit": memory_limit, "python_enable_replacements": "false"}
    if threads:
        config["threads"] = threads
    try:
        connection = duckdb.connect(str(path), config=config)
    except duckdb.IOException as exc:
        if "lock" in str(exc).lower():
            raise StoreInUse(f"store {path} is held by another process") from exc
        raise StoreError(f"store {path} cannot be opened: {str(exc).splitlines()[0]}") from exc
    except duckdb.Error as exc:
        raise StoreError(f"store {path} cannot be opened: {str(exc).splitlines()[0]}") from exc
    connection.execute("SET GLOBAL TimeZone='UTC'")
    connection.execute(f"SET GLOBAL checkpoint_threshold='{CHECKPOINT_AT}'")
    return connection
