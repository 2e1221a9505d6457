"""What the API and the command line say: one model for each kind of record.

The same models are built from the store and read back from a server's answer, so that a command prints the
same either way.
"""

from __future__ import annotations

from datetime import date, time
from typing import Any, Literal

from coilbook.api.fields import Instant, column
from pydantic import BaseModel, ConfigDict, Field

Severity = Literal["danger", "service", "cost", "wear", "data"]
Day = date
CaseState = Literal["new", "continuing", "back", "cleared", "withdrawn"]
ListedState = Literal["new", "continuing", "back", "snoozed", "closed", "cleared", "withdrawn"]
Outcome = Literal["confirmed", "not_found", "no_access", "setting_changed"]


class Record(BaseModel):
    """Base of all records; unknown fields are left out, so that a wider frame does no harm."""

    model_config = ConfigDict(extra="ignore", from_attributes=True)


class LedgerEntry(Record):
    """What became of one loaded file; `rows_read = accepted + duplicate + replaced + quarantined`."""

    load_id: int = column("ledger", "load_id")
    path: str = column("ledger", "path")
    sha256: str | None = column("ledger", "sha256")
    kind: str | None = column("ledger", "kind")
    profile: str | None = column("ledger", "profile")
    outcome: Literal["loaded", "failed"] = column("ledger", "outcome")
    rows_read: int | None = column("ledger", "rows_read")
    accepted: int | None = column("ledger", "accepted")
    duplicate: int | None = column("ledger", "duplicate")
    replaced: int | None = column("ledger", "replaced")
    quarantined: int | None = column("ledger", "quarantined")
    released: int | None = column("ledger", "released")
    unknown_causes: int | None = column("ledger", "unknown_causes")
    extra_columns: str | None = column("ledger", "extra_columns")
    first_ts: Instant | None = column("ledger", "first_ts")
    last_ts: Instant | None = column("ledger", "last_ts")
    loaded_at: Instant | None = column("ledger", "loaded_at")
    duration_s: float | None = column("ledger", "duration_s")
    error: str | None = column("ledger", "error")


class HeldRow(Record):
    """One row held in quarantine, with its raw text and the reason."""

    quarantine_id: int = column("quarantine", "quarantine_id")
    load_id: int = column("quarantine", "load_id")
    path: str = column("quarantine", "path")
    line: int | None = column("quarantine", "line")
    kind: str | None = column("quarantine", "kind")
    reason: str = column("quarantine", "reason")
    detail: str | None = column("quarantine", "detail")
    subject: str | None = column("quarantine", "subject")
    raw: str | None = column("quarantine", "raw")
    state: Literal["held", "released"] = column("quarantine", "state")
    released_at: Instant | None = column("quarantine", "released_at")


class ReviewDone(Record):
    """One review."""

    review_id: int = column("review", "review_id")
    as_of: Instant | None = column("review", "as_of")
    horizon: Instant | None = column("review", "horizon")
    reviewed_at: Instant | None = column("review", "reviewed_at")
    duration_s: float | None = column("review", "duration_s")
    site_days: int | None = column("review", "site_days")
    findings: int | None = column("review", "findings")


class NotJudgedByRule(Record):
    """How much of the fleet one rule could not judge for one reason."""

    rule: str = column("not_judged", "rule")
    sites: int = Field(description="sites that the rule did not judge for this reason")
    subjects: int = Field(description="circuits, controllers or sites that it did not judge")


class NotJudged(Record):
    """How many sites lacked what a rule needs on their last whole local day."""

    reason: str = column("not_judged", "reason")
    sites: int = Field(description="sites with at least one rule not judged for this reason")
    subjects: int = Field(description="circuits, controllers and sites of them")
    rules: list[NotJudgedByRule] = Field(description="the same by rule, most sites first")


class Header(Record):
    """The last review in numbers."""

    review_id: int = Field(description="number of the last review; 0 = none yet")
    reviewed_at: Instant | None = column("review", "reviewed_at")
    as_of: Instant | None = column("review", "as_of")
    horizon: Instant | None = column("review", "horizon")
    sites: int = Field(description="sites in the registry")
    sites_judged: int = Field(description="sites judged on their last whole local day")
    not_judged: list[NotJudged] = Field(description="why sites were not judged, most sites first")
    new: int = Field(description="cases that opened since the review before; none that people put aside")
    continuing: int = Field(description="cases that go on and are not put aside")
    back: int = Field(description="cases that came back within 30 days of clearing, or after their closing")
    cleared: int = Field(description="cases cleared in the last 7 days")
    just_cleared: int = Field(0, description="cases cleared on the last whole local day of their site")


class Case(Record):
    """A run of findings of one rule on one subject: what somebody has to look after."""

    case_id: str = column("service_case", "case_id")
    severity: Severity = column("service_case", "severity")
    state: ListedState = Field(
        description="by the logs: new, continuing, back, cleared or withdrawn; by what people did: snoozed, "
        "closed, or back where the rule found again after the closing"
    )
    rule: str = column("service_case", "rule")
    site_id: str = column("service_case", "site_id")
    site_name: str | None = column("site", "name", default=None)
    area: str | None = column("site", "area", default=None)
    subject: str = column("service_case", "subject")
    subject_kind: Literal["circuit", "controller", "site"] = column("service_case", "subject_kind")
    appliance: str | None = column("circuit", "appliance", default=None)
    since: date = Field(description="local date of the first finding")
    last_finding_on: date = column("service_case", "last_finding_on")
    cleared_on: date | None = column("service_case", "cleared_on")
    days: int = column("service_case", "days")
    cost_per_year: float | None = column("service_case", "cost_per_year")
    currency: str | None = column("service_case", "currency")
    confidence: float | None = column("service_case", "confidence")
    sentence: str = column("service_case", "sentence")
    next_step: str | None = column("service_case", "next_step")
    assigned_to: str | None = Field(None, description="who looks after it; empty = nobody")
    snoozed_until: date | None = Field(None, description="local date on which a snoozed case comes back")
    outcome: Outcome | None = Field(None, description="what closing it found; empty = not closed")
    closed_at: Instant | None = Field(None, description="when it was closed")
    closed_by: str | None = Field(None, description="who closed it")
    note: str | None = Field(None, description="what was said last")
    note_by: str | None = Field(None, description="who said it")
    note_at: Instant | None = Field(None, description="when it was said")
    version: int = Field(0, description="newest act on the case, to be sent with the next; 0 = none yet")


class MorningList(Record):
    """The cases that stand, ranked: danger first, new before old, then yearly cost."""

    header: Header = Field(description="what was reviewed, and what could not be judged")
    snoozed: int = Field(0, description="open cases of this choice that are snoozed")
    closed: int = Field(0, description="open cases of this choice that are closed and not found again since")
    cases: list[Case] = Field(description="cases in the order of the morning")


class SiteSummary(Record):
    """A site in a list."""

    site_id: str = column("site", "site_id")
    name: str | None = column("site", "name")
    area: str | None = column("site", "area")
    timezone: str | None = column("site", "timezone")
    circuits: int = Field(description="circuits in the registry")
    open_cases: int = Field(description="cases that stand open")
    worst: Severity | None = Field(description="severity of the worst open case")
    last_row: Instant | None = Field(description="newest row of any log reviewed")


class CircuitCard(Record):
    """A circuit as the registry has it now, with its newest wear."""

    circuit_id: str = column("circuit", "circuit_id")
    controller_id: str | None = column("circuit", "controller_id")
    appliance: str | None = column("circuit", "appliance")
    rated_w: float | None = column("circuit", "rated_w")
    contactor: str | None = column("circuit", "contactor")
    poles: int | None = column("circuit", "poles")
    coil_v: float | None = column("circuit", "coil_v")
    load_a: float | None = column("circuit", "load_a")
    min_run_s: float | None = column("circuit", "min_run_s")
    min_rest_s: float | None = column("circuit", "min_rest_s")
    surplus_on_w: float | None = column("circuit", "surplus_on_w")
    surplus_off_w: float | None = column("circuit", "surplus_off_w")
    ops: float | None = column("wear", "ops", default=None)
    used: float | None = column("wear", "used", default=None)
    ops_per_day: float | None = column("wear", "ops_per_day", default=None)
    date_100: date | None = column("wear", "date_100", default=None)
    date_100_early: date | None = column("wear", "date_100_early", default=None)
    date_100_late: date | None = column("wear", "date_100_late", default=None)


class WindowTally(Record):
    """What became of one window of a circuit over the days asked for."""

    circuit_id: str = column("window_result", "circuit_id")
    window_id: str = column("window_result", "window_id")
    kind: Literal["run", "lockout"] = column("schedule", "kind")
    verdicts: dict[str, int] = Field(description="days by verdict")


class CircuitTally(Record):
    """Switching of one circuit over the days asked for."""

    circuit_id: str = column("circuit_day", "circuit_id")
    days: int = Field(description="local days counted [d]")
    starts: int = Field(description="runs that began")
    on_s: float = Field(description="time within runs [s]")
    short_runs: int = Field(description="runs that ended before min_run_s, hand and shed apart")
    own_wh: float | None = Field(description="energy of the circuit [Wh]")
    grid_wh: float | None = Field(description="part of it bought from the grid, days with it known [Wh]")


class ServiceEntry(Record):
    """One line of the service log."""

    circuit_id: str = column("service_log", "circuit_id")
    date: Day = column("service_log", "date")
    action: str | None = column("service_log", "action")
    note: str | None = column("service_log", "note")


class SettingChange(Record):
    """One setting of a circuit that changed."""

    circuit_id: str = column("circuit", "circuit_id")
    valid_from: date | None = column("circuit", "valid_from")
    setting: str = Field(description="name of the setting")
    before: str | None = Field(description="value before")
    after: str | None = Field(description="value since")


class WindowPlan(Record):
    """A run or lockout window of a circuit, in wall time of the site."""

    circuit_id: str = column("schedule", "circuit_id")
    window_id: str = column("schedule", "window_id")
    kind: str = column("schedule", "kind")
    days: str | None = column("schedule", "days")
    start: time = column("schedule", "start")
    end: time = column("schedule", "end")
    need_minutes: float | None = column("schedule", "need_minutes")
    valid_from: date | None = column("schedule", "valid_from")
    valid_to: date | None = column("schedule", "valid_to")


class SiteHistory(Record):
    """One site: who and where, what is fitted, what stands open, and its record."""

    site_id: str = column("site", "site_id")
    name: str | None = column("site", "name")
    area: str | None = column("site", "area")
    timezone: str | None = column("site", "timezone")
    pv_kw: float | None = column("site", "pv_kw")
    battery_kwh: float | None = column("site", "battery_kwh")
    first_day: date | None = Field(description="first local day with a log row")
    last_day: date | None = Field(description="last local day with a log row")
    last_row: Instant | None = Field(description="newest row of any log reviewed")
    record_from: date | None = Field(description="first local day of `windows` and `switching`")
    circuits: list[CircuitCard] = Field(description="circuits as they are now")
    open_cases: list[Case] = Field(description="cases that stand, ranked")
    past_cases: list[Case] = Field(description="cases cleared or withdrawn, newest first")
    windows: list[WindowTally] = Field(description="window record since `record_from`")
    switching: list[CircuitTally] = Field(description="switching since `record_from`")
    plan: list[WindowPlan] = Field(description="windows with their validity")
    settings_history: list[SettingChange] = Field(description="settings that changed, newest first")
    service_log: list[ServiceEntry] = Field(description="what was done, newest first")
    cautions: list[str] = Field(description="to be read before anybody opens an enclosure")


class SiteException(Record):
    """A finding: one rule's verdict on one subject for one local day, with the state of its case if any."""

    rule: str = column("finding", "rule")
    subject: str = column("finding", "subject")
    subject_kind: Literal["circuit", "controller", "site"] = column("finding", "subject_kind")
    site_id: str = column("finding", "site_id")
    site_name: str | None = column("site", "name")
    area: str | None = column("site", "area")
    local_date: date = column("finding", "local_date")
    severity: Severity = column("finding", "severity")
    state: CaseState | None = Field(
        description="state of the case this finding belongs to; empty = no case yet"
    )
    case_id: str | None = Field(description="the case this finding belongs to")
    count: int | None = column("finding", "count")
    measure: float | None = column("finding", "measure")
    limit: float | None = column("finding", "limit")
    unit: str | None = column("finding", "unit")
    cost_per_year: float | None = column("finding", "cost_per_year")
    currency: str | None = column("finding", "currency")
    confidence: float | None = column("finding", "confidence")
    sentence: str = column("finding", "sentence")
    next_step: str | None = column("finding", "next_step")
    explained_by: str | None = column("finding", "explained_by")
    evidence: Any = column("finding", "evidence")


class JobRun(Record):
    """One run of a job of the service."""

    job_run_id: int = column("job_run", "job_run_id")
    job: str = column("job_run", "job")
    scheduled_for: Instant | None = column("job_run", "scheduled_for")
    started_at: Instant | None = column("job_run", "started_at")
    ended_at: Instant | None = column("job_run", "ended_at")
    outcome: Literal["running", "done", "failed", "interrupted"] = column("job_run", "outcome")
    rows: int | None = column("job_run", "rows")
    detail: str | None = column("job_run", "detail")
