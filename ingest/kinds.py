"""The kinds of file that the contract knows: their columns, how each is read, and by what a kind is told.

A kind is told by its columns alone, never by a file's name. `Field.name` is the name in the contract; the
store's column of the same content is named in `schema.py`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from coilbook.ingest.errors import UnreadableFile
from coilbook.ingest.schema import BY_NAME, Table

Read = Literal[
    "instant",
    "text",
    "number",
    "whole",
    "state",
    "cause",
    "flag",
    "day",
    "wall",
    "end",
    "choice",
    "days",
    "zone",
]

WATT_LIMIT = 1e7
APPLIANCES = (
    "pool_pump",
    "well_pump",
    "water_heater",
    "ev_charger",
    "air_conditioner",
    "heat_pump",
    "spa",
    "other",
)
ACTIONS = ("contactor_replaced", "inspected", "setting_changed")
WINDOW_KINDS = ("run", "lockout")
CAUSES = ("hand", "clock", "surplus", "shed")


@dataclass(frozen=True)
class Field:
    """One column of the contract; `low` and `high` bound numbers, both ends allowed."""

    name: str
    read: Read
    must: bool = False
    low: float = -1e18
    high: float = 1e18
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Kind:
    """One kind of file. `owner` names the column whose subject the registry must know."""

    name: str
    table_name: str
    told_by: frozenset[str]
    fields: tuple[Field, ...]
    sorted_by: tuple[str, ...]
    owner: str = ""
    rank: int = 4

    @property
    def table(self) -> Table:
        """The table that its rows go to."""
        return BY_NAME[self.table_name]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names of the contract, in order."""
        return tuple(field.name for field in self.fields)

    @property
    def is_registry(self) -> bool:
        """True for sites, circuits, windows and tariffs."""
        return self.table.group == "registry"

    @property
    def has_ts(self) -> bool:
        """True where rows carry an instant."""
        return "ts" in self.names


def _must(name: str, read: Read, choices: tuple[str, ...] = ()) -> Field:
    return Field(name, read, must=True, choices=choices)


def _watt(name: str, *, must: bool = False) -> Field:
    return Field(name, "number", must=must, low=-WATT_LIMIT, high=WATT_LIMIT)


def _from_zero(name: str, high: float = 1e12, read: Read = "number") -> Field:
    return Field(name, read, low=0, high=high)


TS = _must("ts", "instant")
VALIDITY = (Field("valid_from", "day"), Field("valid_to", "day"))

SWITCH = Kind(
    "switch",
    "switch_log",
    frozenset({"ts", "circuit_id", "state"}),
    (
        TS,
        _must("circuit_id", "text"),
        _must("state", "state"),
        Field("cause", "cause"),
        Field("seq", "whole"),
    ),
    ("site_id", "ts", "circuit_id", "closed"),
    owner="circuit_id",
)
POWER = Kind(
    "power",
    "power_log",
    frozenset({"ts", "site_id", "pv_w"}),
    (
        TS,
        _must("site_id", "text"),
        _watt("pv_w", must=True),
        _watt("house_w"),
        _watt("grid_w"),
        _watt("battery_w"),
        Field("islanded", "flag"),
    ),
    ("site_id", "ts"),
    owner="site_id",
)
CIRCUIT_POWER = Kind(
    "circuit_power",
    "circuit_power_log",
    frozenset({"ts", "circuit_id", "circuit_w"}),
    (TS, _must("circuit_id", "text"), _watt("circuit_w", must=True)),
    ("site_id", "ts", "circuit_id"),
    owner="circuit_id",
)
STATUS = Kind(
    "status",
    "status_log",
    frozenset({"ts", "controller_id"}),
    (TS, _must("controller_id", "text"), Field("firmware", "text"), _from_zero("uptime_s")),
    ("site_id", "ts", "controller_id"),
    owner="controller_id",
)
SERVICE = Kind(
    "service",
    "service_log",
    frozenset({"date", "circuit_id", "action"}),
    (
        _must("date", "day"),
        _must("circuit_id", "text"),
        _must("action", "choice", ACTIONS),
        Field("note", "text"),
    ),
    ("site_id", "date", "circuit_id", "action"),
    owner="circuit_id",
)
SITES = Kind(
    "sites",
    "site",
    frozenset({"site_id", "timezone"}),
    (
        _must("site_id", "text"),
        Field("name", "text"),
        Field("area", "text"),
        _must("timezone", "zone"),
        Field("latitude", "number", low=-90, high=90),
        Field("longitude", "number", low=-180, high=180),
        _from_zero("pv_kw", 1e6),
        _from_zero("battery_kwh", 1e6),
        Field("tariff_id", "text"),
        *VALIDITY,
    ),
    ("site_id", "valid_from"),
    rank=0,
)
TARIFFS = Kind(
    "tariffs",
    "tariff",
    frozenset({"tariff_id", "start", "end", "import_per_kwh"}),
    (
        _must("tariff_id", "text"),
        _must("days", "days"),
        _must("start", "wall"),
        _must("end", "end"),
        Field("import_per_kwh", "number", must=True, low=-1e6, high=1e6),
        Field("export_per_kwh", "number", low=-1e6, high=1e6),
        Field("currency", "text"),
        *VALIDITY,
    ),
    ("tariff_id", "days", "start", "valid_from"),
    rank=0,
)
CIRCUITS = Kind(
    "circuits",
    "circuit",
    frozenset({"circuit_id", "site_id", "appliance"}),
    (
        _must("circuit_id", "text"),
        _must("site_id", "text"),
        Field("controller_id", "text"),
        _must("appliance", "choice", APPLIANCES),
        _from_zero("rated_w", WATT_LIMIT),
        _from_zero("voltage_v", 1e5),
        _from_zero("load_a", 1e5),
        Field("contactor", "text"),
        Field("poles", "whole", low=1, high=100),
        _from_zero("coil_v", 1e5),
        _from_zero("mech_life_ops"),
        _from_zero("elec_life_ops"),
        _from_zero("elec_life_a", 1e5),
        Field("fitted_on", "day"),
        _from_zero("ops_at_fit"),
        _from_zero("min_run_s", 1e7),
        _from_zero("min_rest_s", 1e7),
        _watt("surplus_on_w"),
        _watt("surplus_off_w"),
        Field("shed_when_islanded", "flag"),
        *VALIDITY,
    ),
    ("circuit_id", "valid_from"),
    owner="site_id",
    rank=2,
)
WINDOWS = Kind(
    "windows",
    "schedule",
    frozenset({"circuit_id", "window_id", "kind", "start", "end"}),
    (
        _must("circuit_id", "text"),
        _must("window_id", "text"),
        _must("kind", "choice", WINDOW_KINDS),
        _must("days", "days"),
        _must("start", "wall"),
        _must("end", "end"),
        Field("need_minutes", "number", low=0, high=1440),
        *VALIDITY,
    ),
    ("circuit_id", "kind", "window_id", "valid_from"),
    owner="circuit_id",
    rank=3,
)

KINDS = (SITES, TARIFFS, CIRCUITS, WINDOWS, SWITCH, POWER, CIRCUIT_POWER, STATUS, SERVICE)
KIND: dict[str, Kind] = {kind.name: kind for kind in KINDS}
REGISTRY_ARRAYS = ("tariffs", "sites", "circuits", "windows")
REGISTRY_OBJECT_RANK = 1


def kind_of(columns: Collection[str]) -> Kind:
    """The one kind whose telling columns are all in `columns`; `UnreadableFile` where none or several are."""
    if not columns:
        raise UnreadableFile("there is no column to tell the kind of file by")
    found = [kind for kind in KINDS if kind.told_by <= set(columns)]
    if len(found) == 1:
        return found[0]
    shown = ", ".join(list(columns)[:12])[:200]
    if found:
        both = " and ".join(kind.name for kind in found)
        raise UnreadableFile(f"the columns {shown} fit {both} alike; expected those of one kind")
    nearest = max(KINDS, key=lambda kind: len(kind.told_by & set(columns)) / len(kind.told_by))
    lacking = ", ".join(sorted(nearest.told_by - set(columns)))
    raise UnreadableFile(
        f"the columns {shown} are those of no log or registry file; {nearest.name} is nearest but lacks "
        f"{lacking} (a source profile maps other names)"
    )
