"""The service's settings: one table of name, default and help.

Each is read from the environment as `COILBOOK_<NAME>`, or given to `Settings` by name. Nothing is read at
import. Thresholds of rules are no settings of the service; they stand in the file that `rules` names.
"""

from __future__ import annotations

import ipaddress
from datetime import time
from pathlib import Path
from typing import Any, Literal

from coilbook.ingest.errors import InputError, SettingsError
from coilbook.ingest.local_time import zone
from coilbook.ingest.store import MEMORY_LIMIT
from pydantic import Field, ValidationError, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

PREFIX = "COILBOOK_"
DEFAULT_STORE = Path("coilbook.duckdb")


class Settings(BaseSettings):
    """Everything the service can be told. Units stand in the names."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, extra="forbid", frozen=True)

    store: Path = Field(DEFAULT_STORE, description="the store file")
    rules: Path | None = Field(None, description="file of rule settings (TOML); none = every rule's defaults")
    memory_limit: str = Field(
        MEMORY_LIMIT, pattern=r"^\d+(\.\d+)?\s?(MB|GB|MiB|GiB)$", description="most memory the store may use"
    )
    threads: int | None = Field(None, ge=1, description="threads the store may use; none = all cores")

    host: str = Field("127.0.0.1", description="address the server listens on")
    port: int = Field(8710, ge=0, le=65535, description="port the server listens on; 0 = any free one")
    hosts: tuple[str, ...] = Field(
        (), description="host names the server answers to besides loopback and `host` (JSON list)"
    )
    upload_limit_mb: float = Field(
        200, gt=0, description="largest upload, all files of a request together [MB]"
    )
    queue_limit: int = Field(
        8,
        ge=1,
        description="loads and reviews that may wait for their turn before the server says it is busy",
    )
    stop_wait_s: float = Field(
        20, ge=0, description="how long a stopping server waits for running work before it rolls back [s]"
    )

    inbox: Path | None = Field(
        None, description="folder whose files are loaded as they come; none = no inbox"
    )
    inbox_every_s: float = Field(60, gt=0, description="time between two looks into the inbox [s]")
    inbox_settle_s: float = Field(
        5, ge=0, description="a file in the inbox is loaded once its size has stood still for this long [s]"
    )
    inbox_profile: Path | None = Field(None, description="source profile (TOML) of the files in the inbox")
    outbox: Path | None = Field(None, description="folder the morning list is written to; none = not written")
    nightly: bool = Field(True, description="whether the nightly jobs run by themselves")
    nightly_at: time = Field(time(4, 0), description="wall time of the nightly jobs, HH:MM")
    nightly_zone: str = Field("UTC", description="IANA zone of `nightly_at`")

    log_level: Literal["debug", "info", "warning", "error"] = Field(
        "info", description="least level the server logs to stderr; debug adds tracebacks to the command line"
    )

    @field_validator("nightly_zone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            zone(name)
        except InputError as exc:
            raise ValueError(str(exc)) from exc
        return name

    @field_validator("nightly_at")
    @classmethod
    def _wall_time(cls, value: time) -> time:
        if value.tzinfo is not None:
            raise ValueError("expected a wall time without offset, such as 04:00; its zone is nightly_zone")
        return value

    def answers_to(self) -> frozenset[str]:
        """Host names, lower case and without port, under which this server may be asked."""
        names = {"localhost", "127.0.0.1", "[::1]", *(name.lower() for name in self.hosts)}
        if not is_wildcard(self.host):
            names.add(bracketed(self.host).lower())
        return frozenset(names)


def bracketed(host: str) -> str:
    """`host` as it stands in a URL: IPv6 addresses in brackets (RFC 3986, 3.2.2)."""
    return f"[{host}]" if ":" in host and not host.startswith("[") else host


def is_wildcard(host: str) -> bool:
    """True for an address that stands for every interface."""
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False


def read_settings(**given: object) -> Settings:
    """Settings from the environment, with those of `given` that are not None in their place.

    Raises `SettingsError` naming every setting that cannot be used.
    """
    try:
        told: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
        return Settings(**told)
    except ValidationError as exc:
        faults = "; ".join(
            f"{PREFIX}{str(fault['loc'][0]).upper()}: {fault['msg']}, got {fault['input']!r}"
            for fault in exc.errors()
        )
        raise SettingsError(f"settings: {faults}") from exc
    except ValueError as exc:  # a list that is not JSON
        raise SettingsError(f"settings: {exc}") from exc


def table() -> list[tuple[str, str, str]]:
    """The settings as `(environment name, default, help)`, in order."""
    return [
        (
            f"{PREFIX}{name.upper()}",
            "" if field.default is None else str(field.default),
            field.description or "",
        )
        for name, field in Settings.model_fields.items()
    ]
