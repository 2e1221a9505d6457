"""What the API says about the fleet."""

from __future__ import annotations

from datetime import date
from typing import Literal

from coilbook.api.fields import column
from coilbook.api.models import Record
from pydantic import Field


class CasesOfWeek(Record):
    """Cases of one rule in one area and week."""

    week: date = Field(description="Monday of the week")
    whole: bool = Field(description="the logs have passed the week's end")
    rule: str = column("service_case", "rule")
    area: str | None = column("site", "area")
    opened: int = Field(description="cases that opened in the week")
    cleared: int = Field(description="cases that cleared in the week")
    standing: int = Field(description="cases that stood at the week's end, or stand now")


class RulePrecision(Record):
    """How often a rule was right, by what was found on site."""

    rule: str = column("service_case", "rule")
    confirmed: int = Field(description="cases closed as confirmed")
    not_found: int = Field(description="cases closed as not found")
    no_access: int = Field(description="cases closed without access; they do not enter the share")
    setting_changed: int = Field(description="cases closed by a changed setting; they do not enter the share")
    precision: float | None = Field(description="confirmed / (confirmed + not_found) [1]")
    low: float | None = Field(description="lower end of its 95 % interval (Wilson) [1]")
    high: float | None = Field(description="upper end of its 95 % interval (Wilson) [1]")


class WorstCircuit(Record):
    """A circuit with many cases, high cost or many starts over the days asked for."""

    circuit_id: str = column("circuit", "circuit_id")
    appliance: str | None = column("circuit", "appliance")
    site_id: str = column("circuit", "site_id")
    site_name: str | None = column("site", "name")
    area: str | None = column("site", "area")
    cases: int = Field(description="cases that stood within these days")
    open_cases: int = Field(description="cases that stand open")
    cost_per_year: float | None = Field(description="yearly cost of the open ones [currency]")
    currency: str | None = column("service_case", "currency")
    days: int = Field(description="days with a log [d]")
    starts: int = Field(description="runs that began")
    short_runs: int = Field(description="runs that ended before min_run_s, hand and shed apart")
    max_starts_1h: int | None = Field(description="most starts within any hour")


class DueContactor(Record):
    """A contactor that comes due."""

    quarter: date = Field(description="first day of the quarter in which it is due")
    circuit_id: str = column("circuit", "circuit_id")
    appliance: str | None = column("circuit", "appliance")
    site_id: str = column("circuit", "site_id")
    site_name: str | None = column("site", "name")
    area: str | None = column("site", "area")
    contactor: str | None = column("circuit", "contactor")
    poles: int | None = column("circuit", "poles")
    load_a: float | None = column("circuit", "load_a")
    coil_v: float | None = column("circuit", "coil_v")
    counted_to: date = Field(description="local date up to which closings are counted")
    ops: float | None = column("wear", "ops")
    used: float | None = column("wear", "used")
    ops_per_day: float | None = column("wear", "ops_per_day")
    date_80: date | None = column("wear", "date_80")
    date_80_early: date | None = column("wear", "date_80_early")
    date_80_late: date | None = column("wear", "date_80_late")
    date_100: date | None = column("wear", "date_100")
    date_100_early: date | None = column("wear", "date_100_early")
    date_100_late: date | None = column("wear", "date_100_late")
    overdue: bool = Field(description="all of its life is used")


class Part(Record):
    """Contactors of one kind to have in stock for a quarter."""

    quarter: date = Field(description="first day of the quarter")
    contactor: str | None = column("circuit", "contactor")
    poles: int | None = column("circuit", "poles")
    load_a: float | None = Field(description="greatest current through the main contacts of any of them [A]")
    coil_v: float | None = column("circuit", "coil_v")
    number: int = Field(description="how many")


class ContactorsDue(Record):
    """Contactors that come due by quarter, and the parts for them."""

    due: list[DueContactor] = Field(description="one a contactor, earliest first")
    parts: list[Part] = Field(description="what to have in stock, by quarter")
    later: int = Field(description="contactors that come due later, or close too seldom ever to")
    unknown: int = Field(description="contactors without life figures or without a log")


class FirmwareRate(Record):
    """A rate before or after a firmware version, over the same controllers."""

    firmware: str = Field(description="version that came")
    period: Literal["before", "after"] = Field(description="side of the day on which it came")
    controllers: int = Field(description="controllers that had another version before")
    circuits: int = Field(description="their circuits")
    circuit_weeks: float = Field(description="covered time of these circuits [circuit x 7 d]")
    measure: Literal["starts", "short_runs", "findings"] = Field(description="what was counted")
    count: int = Field(description="how many")
    per_circuit_week: float = Field(description="count / circuit_weeks")
    low: float = Field(description="lower end of its 95 % interval (Garwood)")
    high: float = Field(description="upper end of its 95 % interval (Garwood)")
