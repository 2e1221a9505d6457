"""One file into the store, in one transaction: rows, quarantine, dirty days, ledger row."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from datetime import datetime

from coilbook.ingest import dirty, json_blocks, ledger, merging, quarantine
from coilbook.ingest.files import Source
from coilbook.ingest.kinds import KIND, Kind
from coilbook.ingest.known import Known
from coilbook.ingest.ledger import LedgerRow
from coilbook.ingest.mapping import contract_map
from coilbook.ingest.merging import Counts
from coilbook.ingest.opening import unpacked
from coilbook.ingest.rows import Context
from coilbook.ingest.settling import settle
from coilbook.ingest.sifting import Sifted, sift
from coilbook.ingest.store import Session, Store


def load_log(
    store: Store, source: Source, sifted: Iterable[Sifted], context: Context, started: float
) -> LedgerRow:
    """Load the judged blocks of a log; an error while they come rolls everything back."""
    assert source.log_map
    kind = source.log_map.kind
    with store.writing() as session:
        load = _Load(session, source, kind, context.now, started)
        load.take(sifted)
        counts = load.merge()
        dirty.after_log(session, kind, context.known)
        return load.close(counts, source.extra)


def load_registry(store: Store, source: Source, now: datetime) -> list[LedgerRow]:
    """Load a registry file: one ledger row, or one for each array of an object."""
    done: list[LedgerRow] = []
    with store.writing() as session:
        for kind, extra, blocks in _registry_parts(source):
            before = Known.read(session)
            load = _Load(session, source, kind, now, time.perf_counter())
            load.take(blocks(Context(before, now)))
            counts = load.merge()
            dirty.after_registry(session, kind, before, Known.read(session))
            done.append(load.close(counts, extra))
    return done


class _Load:
    """One load in its transaction."""

    def __init__(self, session: Session, source: Source, kind: Kind, now: datetime, started: float) -> None:
        self.session, self.source, self.kind, self.now, self.started = session, source, kind, now, started
        self.load_id = ledger.next_id(session)
        self.read = 0
        self.extra: set[str] = set()
        merging.open_stage(session, kind)
        quarantine.open_held(session)

    def take(self, sifted: Iterable[Sifted]) -> None:
        """Stage the good rows and hold the others."""
        waiting = []
        for part in sifted:
            self.read += part.read
            self.extra.update(part.extra)
            merging.stage(self.session, part.rows, self.load_id)
            quarantine.hold(self.session, part.held)
            waiting.extend(part.waiting)
        settled, ambiguous = settle(self.session, self.kind, waiting)
        merging.stage(self.session, settled, self.load_id)
        quarantine.hold(self.session, ambiguous)

    def merge(self) -> Counts:
        """Bring the staged rows into their table."""
        return merging.merge(self.session, self.kind)

    def close(self, counts: Counts, extra: frozenset[str]) -> LedgerRow:
        """Quarantine what was held and write the ledger row."""
        source = self.source
        held = quarantine.put(self.session, self.load_id, source.shown, source.sha256, self.kind.name)
        row = LedgerRow(
            load_id=self.load_id,
            path=source.shown,
            sha256=source.sha256,
            kind=self.kind.name,
            profile=source.profile,
            outcome="loaded",
            rows_read=self.read,
            accepted=counts.accepted,
            duplicate=counts.duplicate,
            replaced=counts.replaced,
            quarantined=held,
            released=0,
            unknown_causes=self._unknown_causes(),
            extra_columns=", ".join(sorted(extra | self.extra)) or None,
            first_ts=counts.first_ts,
            last_ts=counts.last_ts,
            loaded_at=self.now,
            duration_s=round(time.perf_counter() - self.started, 3),
            error=None,
        )
        assert row.rows_read == row.accepted + row.duplicate + row.replaced + row.quarantined
        ledger.add(self.session, row)
        return row

    def _unknown_causes(self) -> int:
        if self.kind.name != "switch":
            return 0
        found = self.session.one("SELECT count(cause_raw) FROM sorted")
        return int(found[0]) if found else 0


class _Blocks:
    """The judged blocks of one registry kind, once the registry before them is known."""

    def __init__(self, source: Source, kind: Kind, rows: list[object] | None) -> None:
        self.source, self.kind, self.rows = source, kind, rows

    def __call__(self, context: Context) -> Iterator[Sifted]:
        if self.rows is None:
            assert self.source.log_map
            for block in self.source.blocks():
                yield sift(block, self.source.log_map, context)
            return
        block = json_blocks.array_block(
            self.rows, [json_blocks.dumped(row) for row in self.rows], 1, self.kind.names
        )
        yield sift(block, contract_map(self.kind, self.kind.names), context)


def _registry_parts(source: Source) -> Iterator[tuple[Kind, frozenset[str], _Blocks]]:
    if source.log_map:
        yield source.log_map.kind, source.extra, _Blocks(source, source.log_map.kind, None)
        return
    with unpacked(source.path) as stream:
        arrays = json_blocks.read_registry(stream)
    for name, rows in arrays.items():
        yield KIND[name], frozenset(), _Blocks(source, KIND[name], rows)
