"""Which files a load takes, what each one is, and in which order they go."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from coilbook.ingest import csv_blocks, json_blocks, parquet_blocks
from coilbook.ingest.blocks import Block
from coilbook.ingest.errors import InputError, UnreadableFile
from coilbook.ingest.kinds import REGISTRY_OBJECT_RANK, kind_of
from coilbook.ingest.mapping import LogMap, contract_map
from coilbook.ingest.opening import Form, digest, look, unpacked
from coilbook.ingest.profiles import Profile


@dataclass(frozen=True)
class Source:
    """One file to load. `log_map` is None for a registry object, whose arrays each have their own kind."""

    path: Path
    shown: str
    sha256: str
    form: Form
    log_map: LogMap | None
    extra: frozenset[str]
    profile: str | None

    @property
    def rank(self) -> int:
        """Place in the order of a load: what others refer to comes first."""
        return self.log_map.kind.rank if self.log_map else REGISTRY_OBJECT_RANK

    @property
    def is_registry(self) -> bool:
        """True for registry files."""
        return self.log_map is None or self.log_map.kind.is_registry

    def blocks(self) -> Iterator[Block]:
        """The file's rows as text, by blocks."""
        assert self.log_map
        wanted = self.log_map.sources()
        if self.form == "parquet":
            yield from parquet_blocks.read(self.path, wanted)
            return
        with unpacked(self.path) as stream:
            if self.form == "csv":
                yield from csv_blocks.read(stream, self.log_map.dialect, wanted)
            elif self.form == "ndjson":
                yield from json_blocks.read_lines(stream, wanted)
            else:
                yield from json_blocks.read_array(stream, wanted)


@dataclass(frozen=True)
class Unreadable:
    """A file that fails whole before its rows are looked at."""

    path: Path
    shown: str
    sha256: str | None
    error: str


def walk(paths: Sequence[Path]) -> list[Path]:
    """Every file of `paths`; folders in sorted order, hidden files and folders left out."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = (part.relative_to(path) for part in sorted(path.rglob("*")) if part.is_file())
            found.extend(path / part for part in inside if not any(p.startswith(".") for p in part.parts))
        elif path.exists():
            found.append(path)
        else:
            raise InputError(f"{path}: no such file or folder")
    if not found:
        raise InputError(f"no file found in {', '.join(map(str, paths)) or 'nothing'}")
    return found


def examine(path: Path, shown: str, profile: Profile | None) -> Source | Unreadable:
    """What a file is, told by its content."""
    sha256 = None
    try:
        sha256 = digest(path)
        form, columns, log_map = _identify(path, profile)
    except UnreadableFile as exc:
        return Unreadable(path, shown, sha256, str(exc))
    if columns is None:
        return Source(path, shown, sha256, form, None, frozenset(), None)
    assert log_map
    used = profile.name if profile and log_map in profile.maps else None
    return Source(path, shown, sha256, form, log_map, frozenset(set(columns) - set(log_map.sources())), used)


def in_order(sources: Sequence[Source | Unreadable]) -> list[Source | Unreadable]:
    """Registry before logs, and within it what others refer to first; otherwise as given."""
    return sorted(sources, key=lambda source: source.rank if isinstance(source, Source) else -1)


def _identify(path: Path, profile: Profile | None) -> tuple[Form, list[str] | None, LogMap | None]:
    head = look(path)
    maps = profile.maps if profile else ()
    if head.form == "csv":
        return "csv", *_csv(head.text, maps)
    if head.form == "parquet":
        columns: list[str] | None = parquet_blocks.names_in(path)
    elif head.form == "ndjson":
        columns = json_blocks.names_in_lines(head.text)
    else:
        with unpacked(path) as stream:
            columns = json_blocks.first_names(stream)
    if columns is None:
        return head.form, None, None
    fitting = [m for m in maps if m.fits(columns)]
    return head.form, columns, _only(fitting) or contract_map(kind_of(columns), columns)


def _csv(head: bytes, maps: Sequence[LogMap]) -> tuple[list[str], LogMap]:
    fitting: list[LogMap] = []
    columns: Mapping[str, list[str]] = {}
    for log_map in maps:
        try:
            columns = {**columns, log_map.kind.name: csv_blocks.columns_of(head, log_map.dialect)}
        except UnreadableFile:
            continue
        if log_map.fits(columns[log_map.kind.name]):
            fitting.append(log_map)
    chosen = _only(fitting)
    if chosen:
        return columns[chosen.kind.name], chosen
    plain = csv_blocks.columns_of(head, csv_blocks.Dialect())
    return plain, contract_map(kind_of(plain), plain)


def _only(fitting: list[LogMap]) -> LogMap | None:
    if len(fitting) > 1:
        kinds = " and ".join(m.kind.name for m in fitting)
        raise UnreadableFile(f"the columns fit the profile's {kinds} alike; expected those of one kind")
    return fitting[0] if fitting else None
