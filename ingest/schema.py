"""Every table and column of the store: type, unit and meaning, in one place.

The DDL, the exports and the column reference come from here; nothing else names a column's type. Instants
are UTC [TIMESTAMP, microseconds] and leave the store as RFC 3339 with `Z`. Grain is the key that makes a row
unique.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Group = Literal["log", "registry", "ledger", "fact", "verdict", "people", "service"]

TEXT = "VARCHAR"
WHOLE = "BIGINT"
REAL = "DOUBLE"
FLAG = "BOOLEAN"
INSTANT = "TIMESTAMP"
DAY = "DATE"
BYTES = "BLOB"


@dataclass(frozen=True)
class Column:
    """One column: `unit` is '' for text, counts, flags, instants and dates."""

    name: str
    type: str
    unit: str
    meaning: str


@dataclass(frozen=True)
class Table:
    """One table: `grain` names the columns that make a row unique; `export` is its public name, if any."""

    name: str
    group: Group
    grain: tuple[str, ...]
    meaning: str
    columns: tuple[Column, ...]
    export: str = ""

    def names(self) -> list[str]:
        """The column names in order."""
        return [column.name for column in self.columns]

    def ddl(self) -> str:
        """The CREATE TABLE statement. No primary key: it triples load time, see DEVELOPERS.md."""
        body = ",\n".join(f'    "{c.name}" {c.type}' for c in self.columns)
        return f'CREATE TABLE IF NOT EXISTS "{self.name}" (\n{body}\n)'

    def comments(self) -> list[str]:
        """COMMENT statements, so that the store explains itself to whoever opens it."""
        lines = [f"COMMENT ON TABLE \"{self.name}\" IS '{_quoted(self.meaning)}'"]
        for c in self.columns:
            text = f"{c.meaning} [{c.unit}]" if c.unit else c.meaning
            lines.append(f'COMMENT ON COLUMN "{self.name}"."{c.name}" IS \'{_quoted(text)}\'')
        return lines


def _quoted(text: str) -> str:
    return text.replace("'", "''")


def c(name: str, type_: str, unit: str, meaning: str) -> Column:
    """Short for `Column`, so that the tables below read as tables."""
    return Column(name, type_, unit, meaning)


SITE_ID = c("site_id", TEXT, "", "home with one or more controllers")
CIRCUIT_ID = c("circuit_id", TEXT, "", "one contactor switching one appliance")
CONTROLLER_ID = c("controller_id", TEXT, "", "device that energises the coils of one or more circuits")
LOAD_ID = c("load_id", WHOLE, "", "ledger row that brought this row")
LOCAL_DATE = c("local_date", DAY, "", "date at the site's zone")
VALID_FROM = c("valid_from", DAY, "", "first local date on which the row holds; empty = always")
VALID_TO = c("valid_to", DAY, "", "last local date on which the row holds; empty = still")

LOGS = (
    Table(
        "switch_log",
        "log",
        ("circuit_id", "ts", "closed"),
        "state changes of contactors, as loaded",
        (
            SITE_ID,
            CIRCUIT_ID,
            c("ts", INSTANT, "", "when the coil was energised or released"),
            c("closed", FLAG, "", "true = main contacts commanded closed"),
            c("cause", TEXT, "", "hand, clock, surplus, shed, unknown; empty where the log names none"),
            c("cause_raw", TEXT, "", "the word of the log where it is none of ours"),
            c("seq", WHOLE, "", "running number of the controller's events"),
            LOAD_ID,
        ),
    ),
    Table(
        "power_log",
        "log",
        ("site_id", "ts"),
        "power of sites; a sample at ts is the mean over [ts, ts + interval)",
        (
            SITE_ID,
            c("ts", INSTANT, "", "begin of the sample"),
            c("pv_w", REAL, "W", "generation"),
            c(
                "house_w",
                REAL,
                "W",
                "all consumption, switched circuits included; empty = derived from balance",
            ),
            c("grid_w", REAL, "W", "+ import, - export; empty = derived from balance"),
            c("battery_w", REAL, "W", "+ discharge, - charge; empty = 0"),
            c("islanded", FLAG, "", "true while the home runs apart from the grid"),
            LOAD_ID,
        ),
    ),
    Table(
        "circuit_power_log",
        "log",
        ("circuit_id", "ts"),
        "power of metered circuits; a sample at ts is the mean over [ts, ts + interval)",
        (
            SITE_ID,
            CIRCUIT_ID,
            c("ts", INSTANT, "", "begin of the sample"),
            c("circuit_w", REAL, "W", "power of the appliance at its own meter"),
            LOAD_ID,
        ),
    ),
    Table(
        "status_log",
        "log",
        ("controller_id", "ts"),
        "reports of controllers about themselves",
        (
            SITE_ID,
            CONTROLLER_ID,
            c("ts", INSTANT, "", "when the controller reported"),
            c("firmware", TEXT, "", "firmware version as reported"),
            c("uptime_s", REAL, "s", "time since the controller's last restart"),
            LOAD_ID,
        ),
    ),
    Table(
        "service_log",
        "log",
        ("circuit_id", "date", "action"),
        "what was done at a circuit",
        (
            SITE_ID,
            CIRCUIT_ID,
            c("date", DAY, "", "local date of the work"),
            c("action", TEXT, "", "contactor_replaced, inspected or setting_changed"),
            c("note", TEXT, "", "free text"),
            LOAD_ID,
        ),
    ),
)

REGISTRY = (
    Table(
        "site",
        "registry",
        ("site_id", "valid_from"),
        "homes under care",
        (
            SITE_ID,
            c("name", TEXT, "", "name for people"),
            c("area", TEXT, "", "area of a service round"),
            c("timezone", TEXT, "", "IANA zone"),
            c("latitude", REAL, "deg", "north positive"),
            c("longitude", REAL, "deg", "east positive"),
            c("pv_kw", REAL, "kW", "rated PV power"),
            c("battery_kwh", REAL, "kWh", "battery capacity; empty = none"),
            c("tariff_id", TEXT, "", "tariff of the site"),
            VALID_FROM,
            VALID_TO,
            LOAD_ID,
        ),
    ),
    Table(
        "circuit",
        "registry",
        ("circuit_id", "valid_from"),
        "switched circuits and their settings, with history",
        (
            CIRCUIT_ID,
            SITE_ID,
            CONTROLLER_ID,
            c("appliance", TEXT, "", "kind of appliance"),
            c("rated_w", REAL, "W", "rated power of the appliance"),
            c("voltage_v", REAL, "V", "voltage of the circuit"),
            c("load_a", REAL, "A", "current through the main contacts"),
            c("contactor", TEXT, "", "contactor as ordered"),
            c("poles", WHOLE, "", "poles of the contactor"),
            c("coil_v", REAL, "V", "coil voltage"),
            c("mech_life_ops", REAL, "operations", "mechanical durability"),
            c("elec_life_ops", REAL, "operations", "electrical durability at elec_life_a"),
            c("elec_life_a", REAL, "A", "current at which elec_life_ops holds"),
            c("fitted_on", DAY, "", "local date the contactor was fitted"),
            c("ops_at_fit", REAL, "operations", "operations on the contactor when fitted"),
            c("min_run_s", REAL, "s", "least run time"),
            c("min_rest_s", REAL, "s", "least rest between runs"),
            c("surplus_on_w", REAL, "W", "surplus at which the circuit may start"),
            c("surplus_off_w", REAL, "W", "surplus below which the circuit stops"),
            c("shed_when_islanded", FLAG, "", "true = must open while the home is islanded"),
            VALID_FROM,
            VALID_TO,
            LOAD_ID,
        ),
    ),
    Table(
        "schedule",
        "registry",
        ("circuit_id", "kind", "window_id", "valid_from"),
        "run and lockout windows, in wall time of the site",
        (
            CIRCUIT_ID,
            c("window_id", TEXT, "", "name of the window within its circuit"),
            c("kind", TEXT, "", "run or lockout"),
            c("days", TEXT, "", "Mon,Tue,... or daily, weekdays, weekends"),
            c("start", "TIME", "", "wall time of the begin"),
            c("end", "TIME", "", "wall time of the end; not after start = past midnight"),
            c("need_minutes", REAL, "min", "run time needed within the window; empty = all of it"),
            VALID_FROM,
            VALID_TO,
            LOAD_ID,
        ),
    ),
    Table(
        "tariff",
        "registry",
        ("tariff_id", "days", "start", "valid_from"),
        "energy prices by wall time",
        (
            c("tariff_id", TEXT, "", "name of the tariff"),
            c("days", TEXT, "", "Mon,Tue,... or daily, weekdays, weekends"),
            c("start", "TIME", "", "wall time of the begin"),
            c("end", "TIME", "", "wall time of the end; not after start = past midnight"),
            c("import_per_kwh", REAL, "currency/kWh", "price of a bought kWh"),
            c("export_per_kwh", REAL, "currency/kWh", "price of a sold kWh"),
            c("currency", TEXT, "", "ISO 4217 code"),
            VALID_FROM,
            VALID_TO,
            LOAD_ID,
        ),
    ),
)

LEDGER = (
    Table(
        "ledger",
        "ledger",
        ("load_id",),
        "one row for each file loaded; rows_read = accepted + duplicate + replaced + quarantined",
        (
            c("load_id", WHOLE, "", "number of the load"),
            c("path", TEXT, "", "file as given"),
            c("sha256", TEXT, "", "digest of the file's bytes"),
            c(
                "kind",
                TEXT,
                "",
                "switch, power, circuit_power, status, service, sites, circuits, windows, tariffs",
            ),
            c("profile", TEXT, "", "source profile, empty = the contract's own columns"),
            c("outcome", TEXT, "", "loaded or failed"),
            c("rows_read", WHOLE, "rows", "rows of the file"),
            c("accepted", WHOLE, "rows", "rows new to the store"),
            c("duplicate", WHOLE, "rows", "rows equal to one that stands"),
            c("replaced", WHOLE, "rows", "rows that took the place of one with the same key"),
            c("quarantined", WHOLE, "rows", "rows held back"),
            c("released", WHOLE, "rows", "of those held back, rows released since"),
            c("unknown_causes", WHOLE, "rows", "rows whose cause is none of ours"),
            c("extra_columns", TEXT, "", "columns kept out, comma-separated"),
            c("first_ts", INSTANT, "", "earliest instant accepted"),
            c("last_ts", INSTANT, "", "latest instant accepted"),
            c("loaded_at", INSTANT, "", "when the load began"),
            c("duration_s", REAL, "s", "how long it took"),
            c("error", TEXT, "", "why the file failed whole"),
        ),
        export="ledger",
    ),
    Table(
        "quarantine",
        "ledger",
        ("quarantine_id",),
        "rows held back, with the raw text and the reason",
        (
            c("quarantine_id", WHOLE, "", "number of the held row"),
            LOAD_ID,
            c("path", TEXT, "", "file as given"),
            c("line", WHOLE, "", "line of a text file, or place in an array or Parquet file, from 1"),
            c("kind", TEXT, "", "kind of log"),
            c("reason", TEXT, "", "reason code"),
            c("detail", TEXT, "", "what was found and what was expected"),
            c("subject", TEXT, "", "the unknown circuit or site, where that is the reason"),
            c("raw", TEXT, "", "the row as it stood in the file"),
            c("fields", TEXT, "", "the row as contract columns [JSON object of text]"),
            c("state", TEXT, "", "held or released"),
            c("released_at", INSTANT, "", "when the row entered the store after all"),
        ),
        export="quarantine",
    ),
    Table(
        "dirty_day",
        "service",
        ("site_id", "local_date"),
        "site-days whose facts wait for a review",
        (SITE_ID, LOCAL_DATE),
    ),
    Table(
        "unjudged_day",
        "service",
        ("site_id", "local_date"),
        "site-days whose facts are up to date and wait for the rules",
        (SITE_ID, LOCAL_DATE),
    ),
)

FACTS = (
    Table(
        "run",
        "fact",
        ("circuit_id", "start"),
        "one stretch with the contactor commanded closed",
        (
            SITE_ID,
            CIRCUIT_ID,
            LOCAL_DATE,
            c("start", INSTANT, "", "the closing"),
            c("end", INSTANT, "", "the opening; empty = open at the horizon"),
            c("duration_s", REAL, "s", "length; of an open run, up to the horizon"),
            c("cause_on", TEXT, "", "cause of the closing"),
            c("cause_off", TEXT, "", "cause of the opening"),
        ),
        export="run",
    ),
    Table(
        "coverage",
        "fact",
        ("site_id", "local_date"),
        "how much of a local day the site's power log covers",
        (
            SITE_ID,
            LOCAL_DATE,
            c("day_s", REAL, "s", "length of the local day"),
            c("samples", WHOLE, "", "power samples that begin in the day"),
            c("interval_s", REAL, "s", "median distance between samples"),
            c("covered_s", REAL, "s", "seconds of the day within samples"),
            c("longest_gap_s", REAL, "s", "longest stretch of the day outside samples, up to the horizon"),
            c("first_ts", INSTANT, "", "first row of any log of the site in the day"),
            c("last_ts", INSTANT, "", "last row of any log of the site in the day"),
            c("last_sample_ts", INSTANT, "", "last power sample of the day"),
            c("islanded_s", REAL, "s", "covered seconds while islanded"),
            c("day_samples", WHOLE, "", "samples with the sun well up"),
            c("residual_samples", WHOLE, "", "samples in which all of house, pv, grid were logged"),
            c("residual_bad", WHOLE, "", "samples whose balance residual exceeds max(100 W, 5 %)"),
            c("flip_grid_good", WHOLE, "", "of those, samples whose balance closes with grid_w turned round"),
            c(
                "flip_battery_good",
                WHOLE,
                "",
                "of those, samples whose balance closes with battery_w turned round",
            ),
            c("pv_negative_day", WHOLE, "", "samples with pv_w under -5 W and the sun well up"),
            c("house_negative", WHOLE, "", "samples with house_w under 0"),
        ),
        export="coverage",
    ),
    Table(
        "circuit_day",
        "fact",
        ("circuit_id", "local_date"),
        "switching and energy of a circuit in a local day, zeros included",
        (
            SITE_ID,
            CIRCUIT_ID,
            LOCAL_DATE,
            c("starts", WHOLE, "", "runs that begin in the day"),
            c("on_s", REAL, "s", "seconds of the day within runs"),
            c("short_runs", WHOLE, "", "runs that ended before min_run_s, hand and shed apart"),
            c("short_rests", WHOLE, "", "rests under min_rest_s, hand apart"),
            c("max_starts_1h", WHOLE, "", "most starts within any hour up to a start of the day"),
            c("chatter", WHOLE, "", "starts that are the third or later within a minute"),
            c("hand_s", REAL, "s", "seconds of the day under a hand hold"),
            c("repeats", WHOLE, "", "events that repeat the state that stands"),
            c("own_wh", REAL, "Wh", "energy of the circuit"),
            c("grid_wh", REAL, "Wh", "part of it bought from the grid"),
        ),
        export="circuit_day",
    ),
    Table(
        "controller_day",
        "fact",
        ("controller_id", "local_date"),
        "events of a controller in a local day",
        (
            SITE_ID,
            CONTROLLER_ID,
            LOCAL_DATE,
            c("events", WHOLE, "", "events logged"),
            c("lost_events", WHOLE, "", "numbers missing from seq"),
            c("resets", WHOLE, "", "times seq went back"),
            c("firmware", TEXT, "", "firmware at the day's end"),
            c("last_seq", WHOLE, "", "newest seq seen up to the day's end"),
        ),
        export="controller_day",
    ),
    Table(
        "window_result",
        "fact",
        ("circuit_id", "window_id", "local_date"),
        "what a run window asked for and got",
        (
            SITE_ID,
            CIRCUIT_ID,
            c("window_id", TEXT, "", "window of the circuit"),
            c("local_date", DAY, "", "local date of the window's start"),
            c("start_ts", INSTANT, "", "begin of the window"),
            c("end_ts", INSTANT, "", "end of the window"),
            c("need_s", REAL, "s", "run time needed"),
            c("on_s", REAL, "s", "run time within the window"),
            c("covered_s", REAL, "s", "seconds of the window within samples"),
            c("excused_s", REAL, "s", "off time under a hand hold or after shedding"),
            c("first_on_ts", INSTANT, "", "first instant on within the window"),
            c("last_off_ts", INSTANT, "", "last instant on within the window"),
            c("verdict", TEXT, "", "met, unknown, excused, missed, late, cut_short or short"),
        ),
        export="window_result",
    ),
    Table(
        "lockout_result",
        "fact",
        ("circuit_id", "window_id", "local_date"),
        "what ran in a lockout window, and what it cost",
        (
            SITE_ID,
            CIRCUIT_ID,
            c("window_id", TEXT, "", "window of the circuit"),
            c("local_date", DAY, "", "local date of the window's start"),
            c("start_ts", INSTANT, "", "begin of the window"),
            c("end_ts", INSTANT, "", "end of the window"),
            c("on_s", REAL, "s", "run time not begun by hand"),
            c("hand_s", REAL, "s", "run time begun by hand"),
            c("own_wh", REAL, "Wh", "energy of the circuit in the window"),
            c("cost", REAL, "currency", "own_wh at the import price"),
            c("excess_cost", REAL, "currency", "cost less that at the local day's cheapest price"),
        ),
        export="lockout_result",
    ),
    Table(
        "surplus_start",
        "fact",
        ("circuit_id", "start"),
        "a run begun on surplus, and what became of the surplus",
        (
            SITE_ID,
            CIRCUIT_ID,
            LOCAL_DATE,
            c("start", INSTANT, "", "the closing"),
            c("surplus_before_w", REAL, "W", "mean surplus before the start"),
            c("pv_before_w", REAL, "W", "mean generation before the start"),
            c("base_before_w", REAL, "W", "mean consumption without the circuit before the start"),
            c("before_ts", INSTANT, "", "middle of the samples behind these three"),
            c("hold_end", INSTANT, "", "end of the run or of the least run time"),
            c("own_wh", REAL, "Wh", "energy of the circuit over the run"),
            c("grid_wh", REAL, "Wh", "part of it bought from the grid"),
            c("solar_share", REAL, "1", "1 - grid_wh / own_wh"),
            c("dip_ts", INSTANT, "", "begin of the first dip under the off level"),
            c("dip_end_ts", INSTANT, "", "end of that dip"),
            c("d_pv_w", REAL, "W", "fall of generation into the dip"),
            c("d_base_w", REAL, "W", "rise of consumption into the dip"),
            c("d_clear_w", REAL, "W", "fall of the clear-sky expectation between the same times"),
            c("why", TEXT, "", "none, sunset, cloud, house or unknown"),
        ),
        export="surplus_start",
    ),
    Table(
        "day_state",
        "fact",
        ("circuit_id", "local_date"),
        "how a circuit stands when a local day ends, so that the next day can begin from it",
        (
            SITE_ID,
            CIRCUIT_ID,
            LOCAL_DATE,
            c("closed", FLAG, "", "true = commanded closed"),
            c("run_start", INSTANT, "", "begin of the run that stands"),
            c("run_date", DAY, "", "its local date"),
            c("run_cause", TEXT, "", "its cause"),
            c("off_ts", INSTANT, "", "end of the newest run that ended"),
            c("off_cause", TEXT, "", "its cause"),
            c("event_ts", INSTANT, "", "newest event, repeats included"),
            c("event_cause", TEXT, "", "its cause"),
        ),
    ),
    Table(
        "wear",
        "fact",
        ("circuit_id", "local_date"),
        "contactor operations against rated life",
        (
            SITE_ID,
            CIRCUIT_ID,
            LOCAL_DATE,
            c("counted_from", DAY, "", "local date from which closings are counted"),
            c("ops", REAL, "operations", "operations since the contactor was fitted or replaced"),
            c("mech_used", REAL, "1", "share of the mechanical durability used"),
            c("elec_used", REAL, "1", "share of the electrical durability used, linear damage"),
            c("used", REAL, "1", "the greater; empty where no life figure is known"),
            c("ops_per_day", REAL, "operations/d", "mean over the last 28 covered days"),
            c("ops_per_day_low", REAL, "operations/d", "5 % point, days resampled in blocks of 7"),
            c("ops_per_day_high", REAL, "operations/d", "95 % point"),
            c("rate_days", WHOLE, "d", "covered days behind ops_per_day"),
            c("date_80", DAY, "", "expected date of 80 % used"),
            c("date_80_early", DAY, "", "its earlier bound, 90 % interval"),
            c("date_80_late", DAY, "", "its later bound"),
            c("date_100", DAY, "", "expected date of 100 % used"),
            c("date_100_early", DAY, "", "its earlier bound, 90 % interval"),
            c("date_100_late", DAY, "", "its later bound"),
        ),
        export="wear",
    ),
    Table(
        "pv_envelope",
        "fact",
        ("site_id", "local_date"),
        "a day's greatest generation by half hour of the UTC day, and the same against the clear sky",
        (
            SITE_ID,
            LOCAL_DATE,
            c("peak_w", "DOUBLE[]", "W", "greatest mean generation of each half hour of the UTC day [48]"),
            c(
                "ratio",
                "DOUBLE[]",
                "W/(W/m2)",
                "the same over clear-sky irradiance; empty without a place [48]",
            ),
        ),
    ),
    Table(
        "switch_check",
        "fact",
        ("circuit_id", "ts"),
        "what the power did as a circuit closed or opened",
        (
            SITE_ID,
            CIRCUIT_ID,
            LOCAL_DATE,
            c("ts", INSTANT, "", "the event"),
            c("closed", FLAG, "", "true = a closing"),
            c("metered", FLAG, "", "true = by the circuit's own meter, else by the house's power"),
            c("interval_s", REAL, "s", "median distance between that day's samples"),
            c("before_w", REAL, "W", "median power before the event"),
            c("after_w", REAL, "W", "median power after it"),
            c("step_w", REAL, "W", "after_w - before_w"),
            c("noise_w", REAL, "W", "1.4826 x median absolute deviation from these two medians"),
            c("swing_w", REAL, "W", "how far the sample of the event lies outside them, 0 = between"),
            c("side_swing_w", REAL, "W", "how far the farthest sample beside it does; empty = not computed"),
            c("jump_w", REAL, "W", "first whole sample after the event less the last before"),
            c("expected_w", REAL, "W", "size of the step that the load should make"),
            c("learned", FLAG, "", "true = expected_w from its own steps of 28 days, else rated_w"),
            c("verdict", TEXT, "", "seen, absent or unclear"),
        ),
        export="switch_check",
    ),
    Table(
        "stay_on",
        "fact",
        ("circuit_id", "ts", "kind"),
        "openings after which a load may have stayed on",
        (
            SITE_ID,
            CIRCUIT_ID,
            LOCAL_DATE,
            c(
                "kind",
                TEXT,
                "",
                "house: by the house's power after an opening; meter: by the circuit's meter",
            ),
            c("ts", INSTANT, "", "the opening; of kind meter, begin of the stretch within the day"),
            c("closing_ts", INSTANT, "", "begin of the run that the opening ended"),
            c("rise_w", REAL, "W", "least power of these minutes over the level before the closing"),
            c("floor_w", REAL, "W", "least house power within the run over that level"),
            c("minutes", REAL, "min", "how long it was looked at, or lasted"),
            c("expected_w", REAL, "W", "step of the closing as expected; of kind meter, rated_w"),
            c("verdict", TEXT, "", "stays_on, opened_itself or unclear"),
        ),
        export="stay_on",
    ),
    Table(
        "island",
        "fact",
        ("site_id", "start"),
        "stretches of a local day in which the home ran apart from the grid",
        (
            SITE_ID,
            LOCAL_DATE,
            c("start", INSTANT, "", "begin, cut at midnight"),
            c("end", INSTANT, "", "end, cut at midnight"),
            c("duration_s", REAL, "s", "length"),
        ),
        export="island",
    ),
    Table(
        "island_run",
        "fact",
        ("circuit_id", "start", "by_hand"),
        "how long a circuit was on in an island",
        (
            SITE_ID,
            CIRCUIT_ID,
            LOCAL_DATE,
            c("start", INSTANT, "", "begin of the island within the day"),
            c("end", INSTANT, "", "its end within the day"),
            c("by_hand", FLAG, "", "true = of runs begun by hand in the island"),
            c("on_from", INSTANT, "", "first instant on after the island's first sample"),
            c("on_s", REAL, "s", "time on without the island's first and last sample"),
        ),
        export="island_run",
    ),
    Table(
        "idle_surplus",
        "fact",
        ("circuit_id", "local_date"),
        "surplus that a circuit could have used and did not",
        (
            SITE_ID,
            CIRCUIT_ID,
            LOCAL_DATE,
            c("idle_surplus_s", REAL, "s", "in stretches of 10 min or more"),
            c("idle_surplus_wh", REAL, "Wh", "energy that it could have used of it"),
            c("stretches", WHOLE, "", "number of these stretches"),
            c("first_ts", INSTANT, "", "begin of the first"),
            c("held_since", INSTANT, "", "begin of the longest hold off by hand in the day"),
            c("held_s", REAL, "s", "how long it had stood by its end or the day's"),
            c("held_surplus_s", REAL, "s", "the same surplus while that hold stood; empty = not computed"),
            c("held_surplus_wh", REAL, "Wh", "energy that the circuit could have used of it"),
            c("held_stretches", WHOLE, "", "number of its stretches"),
            c("held_first_ts", INSTANT, "", "begin of the first of them"),
        ),
        export="idle_surplus",
    ),
    Table(
        "clock_start",
        "fact",
        ("circuit_id", "ts"),
        "how far a start by the clock lies from the nearest time at which one is due",
        (
            SITE_ID,
            CIRCUIT_ID,
            CONTROLLER_ID,
            LOCAL_DATE,
            c("ts", INSTANT, "", "the closing"),
            c("due_ts", INSTANT, "", "nearest begin of a run window or end of a lockout"),
            c("offset_s", REAL, "s", "ts - due_ts"),
            c("shift_s", REAL, "s", "by how much the zone's clocks went forward in the 7 days up to it"),
            c("transition", FLAG, "", "true = they were changed in these 7 days"),
            c("windows_changed", FLAG, "", "true = the circuit's windows were changed in that week"),
        ),
        export="clock_start",
    ),
    Table(
        "power_part",
        "fact",
        ("site_id", "start"),
        "power of a site in each two hours of a local day, for charts of long ranges",
        (
            SITE_ID,
            LOCAL_DATE,
            c("start", INSTANT, "", "first sample"),
            c("end", INSTANT, "", "to where the last sample reaches"),
            c("samples", WHOLE, "", "samples that begin in the part"),
            c("pv_w", REAL, "W", "mean generation"),
            c("pv_min_w", REAL, "W", "least sample"),
            c("pv_max_w", REAL, "W", "greatest sample"),
            c("house_w", REAL, "W", "mean consumption"),
            c("house_min_w", REAL, "W", "least sample"),
            c("house_max_w", REAL, "W", "greatest sample"),
            c("surplus_w", REAL, "W", "mean surplus of the whole site, were its circuits off"),
            c("surplus_min_w", REAL, "W", "least sample"),
            c("surplus_max_w", REAL, "W", "greatest sample"),
            c("rest_s", REAL, "s", "time in samples that no run touches"),
            c("rest_w", REAL, "W", "mean consumption in them"),
        ),
        export="power_part",
    ),
    Table(
        "house_rest",
        "fact",
        ("site_id", "local_date"),
        "what a house draws while none of its switched circuits is on",
        (
            SITE_ID,
            LOCAL_DATE,
            c("rest_s", REAL, "s", "time in samples that no run touches"),
            c("rest_w", REAL, "W", "mean consumption in them"),
        ),
        export="house_rest",
    ),
    Table(
        "solar_clock",
        "fact",
        ("site_id", "local_date"),
        "where the middle of a day's generation lies against the sun",
        (
            SITE_ID,
            LOCAL_DATE,
            c("offset_s", REAL, "s", "middle of generation less middle of clear-sky irradiance; + = late"),
            c("quality", REAL, "1", "1 = one smooth hump, near 0 = broken sky"),
        ),
        export="solar_clock",
    ),
)

VERDICTS = (
    Table(
        "finding",
        "verdict",
        ("rule", "subject", "local_date"),
        "one rule's verdict on one subject for one local day",
        (
            c("rule", TEXT, "", "name of the rule"),
            c("subject", TEXT, "", "circuit, controller or site"),
            c("subject_kind", TEXT, "", "circuit, controller or site"),
            SITE_ID,
            LOCAL_DATE,
            c("severity", TEXT, "", "danger, service, cost, wear or data"),
            c("count", WHOLE, "", "events behind the finding"),
            c("measure", REAL, "", "what was measured, in unit"),
            c("limit", REAL, "", "what it was held against, in unit"),
            c("unit", TEXT, "", "unit of measure and limit"),
            c("cost_per_year", REAL, "currency", "what it costs in a year if it goes on; empty = not known"),
            c("currency", TEXT, "", "ISO 4217 code of the site's tariff"),
            c("confidence", REAL, "1", "0 to 1, from the finding's own evidence"),
            c("evidence", TEXT, "", "instants, durations, watts [JSON]"),
            c("sentence", TEXT, "", "the finding in words and numbers"),
            c("next_step", TEXT, "", "what to do"),
            c("explained_by", TEXT, "", "rule whose finding on the same circuit and day explains this one"),
        ),
        export="finding",
    ),
    Table(
        "not_judged",
        "verdict",
        ("rule", "subject", "local_date"),
        "a rule that lacked what it needs for a subject and day",
        (
            c("rule", TEXT, "", "name of the rule"),
            c("subject", TEXT, "", "circuit, controller or site"),
            c("subject_kind", TEXT, "", "circuit, controller or site"),
            SITE_ID,
            LOCAL_DATE,
            c("reason", TEXT, "", "coverage, unclear, settings, life_figures, place, silent, early, peers"),
        ),
        export="not_judged",
    ),
    Table(
        "service_case",
        "verdict",
        ("case_id",),
        "a run of findings of one rule on one subject",
        (
            c("case_id", TEXT, "", "rule, subject and the date of its first finding"),
            c("rule", TEXT, "", "name of the rule"),
            c("subject", TEXT, "", "circuit, controller or site"),
            c("subject_kind", TEXT, "", "circuit, controller or site"),
            SITE_ID,
            c("severity", TEXT, "", "severity of the newest finding"),
            c("state", TEXT, "", "new, continuing, back, cleared or withdrawn"),
            c("first_finding_on", DAY, "", "first finding of the run"),
            c("opened_on", DAY, "", "local date on which enough findings had come together"),
            c("last_finding_on", DAY, "", "newest finding"),
            c("cleared_on", DAY, "", "local date on which it was clean long enough"),
            c("days", WHOLE, "d", "days with a finding"),
            c("cost_per_year", REAL, "currency", "of the newest finding"),
            c("currency", TEXT, "", "ISO 4217 code"),
            c("confidence", REAL, "1", "of the newest finding"),
            c("sentence", TEXT, "", "of the newest finding"),
            c("next_step", TEXT, "", "of the newest finding"),
        ),
        export="case",
    ),
)

PEOPLE = (
    Table(
        "case_act",
        "people",
        ("act_id",),
        "what people did about cases; rows are added, never changed or removed",
        (
            c("act_id", WHOLE, "", "number of the act, rising"),
            c("case_id", TEXT, "", "case as it was called when the act was made"),
            c("rule", TEXT, "", "rule of that case"),
            c("subject", TEXT, "", "subject of that case"),
            c(
                "seen_on",
                DAY,
                "",
                "newest finding of the case then: the act goes with it, whatever late logs make of the case",
            ),
            c("kind", TEXT, "", "assign, snooze, note, close, reopen or undo"),
            c("who", TEXT, "", "who made the act"),
            c("at", INSTANT, "", "when it was made"),
            c("to_person", TEXT, "", "of assign: to whom; empty = to nobody"),
            c("until", DAY, "", "of snooze: local date on which the case comes back"),
            c("text", TEXT, "", "what was said"),
            c("outcome", TEXT, "", "of close: confirmed, not_found, no_access or setting_changed"),
            c("undoes", WHOLE, "", "of undo: the act taken back"),
        ),
        export="case_act",
    ),
    Table(
        "tune_run",
        "people",
        ("tune_run_id",),
        "tunings asked for and what became of them",
        (
            c("tune_run_id", WHOLE, "", "number of the tuning"),
            c("name", TEXT, "", "what it is kept as; empty = dropped when the next one begins"),
            c("state", TEXT, "", "running, done, cancelled, failed or interrupted"),
            c("request", TEXT, "", "what was asked, as JSON"),
            c("seed", WHOLE, "", "seed of the resampling"),
            c("made_at", INSTANT, "", "when it began"),
            c("duration_s", REAL, "s", "how long it took"),
            c("sentence", TEXT, "", "the recommendations in words, or why there is no result"),
        ),
        export="tune_run",
    ),
    Table(
        "tune_frame",
        "people",
        ("tune_run_id", "frame"),
        "frames of the results of tunings",
        (
            c("tune_run_id", WHOLE, "", "the tuning"),
            c("frame", TEXT, "", "name of the frame"),
            c("body", BYTES, "", "its rows as a Parquet file"),
        ),
    ),
)

SERVICE = (
    Table(
        "review",
        "service",
        ("review_id",),
        "reviews done",
        (
            c("review_id", WHOLE, "", "number of the review"),
            c("as_of", INSTANT, "", "logs from this instant on were left out; empty = none were"),
            c("horizon", INSTANT, "", "newest instant in any log that was reviewed"),
            c("reviewed_at", INSTANT, "", "when the review began"),
            c("duration_s", REAL, "s", "how long it took"),
            c("site_days", WHOLE, "", "site-days computed anew"),
            c("findings", WHOLE, "", "findings that stand"),
            c("settings", TEXT, "", "rule settings in force, as JSON"),
        ),
        export="review",
    ),
    Table(
        "job_run",
        "service",
        ("job_run_id",),
        "nightly jobs done",
        (
            c("job_run_id", WHOLE, "", "number of the run"),
            c("job", TEXT, "", "name of the job"),
            c("scheduled_for", INSTANT, "", "when it was due"),
            c("started_at", INSTANT, "", "when it began"),
            c("ended_at", INSTANT, "", "when it ended; empty = still running or killed"),
            c("outcome", TEXT, "", "running, done, failed or interrupted"),
            c("rows", WHOLE, "rows", "rows loaded, or cases written"),
            c("detail", TEXT, "", "what it did, or why it failed"),
        ),
        export="job_run",
    ),
    Table(
        "schema_step",
        "service",
        ("name",),
        "named migrations applied",
        (
            c("name", TEXT, "", "name of the step"),
            c("applied_at", INSTANT, "", "when it was applied"),
        ),
    ),
)

TABLES: tuple[Table, ...] = (*LOGS, *REGISTRY, *LEDGER, *FACTS, *VERDICTS, *PEOPLE, *SERVICE)
BY_NAME: dict[str, Table] = {table.name: table for table in TABLES}
EXPORTS: dict[str, Table] = {table.export: table for table in TABLES if table.export}


def reference() -> str:
    """The column reference as Markdown, one section a table."""
    parts = []
    for table in TABLES:
        parts.append(f"### `{table.name}`\n\n{table.meaning}. Grain: {', '.join(table.grain)}.\n")
        parts.append("| column | type | unit | meaning |\n|---|---|---|---|")
        parts.extend(f"| `{c.name}` | {c.type} | {c.unit} | {c.meaning} |" for c in table.columns)
        parts.append("")
    return "\n".join(parts)
