"""Small, nasty fleets from a seed: clock changes, holes, odd stamps, lost numbers, settings with history."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from random import Random

from reference.clock import ONE_DAY, date_at, dates, midnight, window
from reference.random_events import CAUSES, controllers_events
from reference.random_power import meter_log, power_log
from reference.random_registry import circuit_rows, tariff_rows, window_rows
from reference.rows import CircuitRow, Fleet, ServiceEntry, SiteRow, StatusReport, SwitchEvent
from reference.windows import windows_of

# A zone with dates on which it changes its clock (tz database): 30-min steps, a missing midnight, a repeated
# midnight, half-hour offsets, none at all.
PLACES = (
    ("Australia/Lord_Howe", (date(2025, 4, 6), date(2025, 10, 5)), (-31.5, 159.1)),
    ("America/Santiago", (date(2025, 4, 5), date(2025, 9, 7)), (-33.4, -70.7)),
    ("America/St_Johns", (date(2025, 3, 9), date(2025, 11, 2)), (47.6, -52.7)),
    ("America/Denver", (date(2025, 3, 9), date(2025, 11, 2)), (39.7, -105.0)),
    ("America/Havana", (date(2025, 3, 9), date(2025, 11, 2)), (23.1, -82.4)),
    ("America/Phoenix", (date(2025, 6, 20), date(2025, 12, 20)), (33.4, -112.1)),
)
SHAPES = ("usual",) * 6 + ("no_power", "only_power", "scanty")


def random_fleet(seed: int, days: int | None = None) -> Fleet:
    """One to three sites over `days` local days (2 to 6 where not given), named after the seed."""
    rng = Random(seed)
    fleet = Fleet()
    for n in range(rng.choice((1, 1, 2, 3))):
        _add_site(rng, fleet, f"s{seed}-{n}", days or rng.randint(2, 6))
    for rows in (fleet.switch, fleet.power, fleet.meter, fleet.status):
        rng.shuffle(rows)
    return fleet


def crowded_fleet(seed: int, circuits: int = 60) -> Fleet:
    """Many circuits of one site with a handful of events each on few instants: pairs and ties abound."""
    rng = Random(seed)
    site_id, zone = f"x{seed}", rng.choice(PLACES)[0]
    span = dates(date(2025, 3, 8), date(2025, 3, 10))
    fleet = Fleet(sites=[SiteRow(site_id, zone)])
    night = midnight(zone, span[1])
    grid = [night + timedelta(seconds=s) for s in (-7200, -3600, -60, -0.5, 0, 0.5, 60, 120, 3600, 40_000)]
    for k in range(circuits):
        circuit_id = f"{site_id}-c{k}"
        fleet.circuits += circuit_rows(rng, circuit_id, site_id, f"{site_id}-k{k // 3}", span)
        fleet.windows += window_rows(rng, circuit_id, span)
        numbered = rng.choice((0.0, 0.5, 1.0))
        pairs = rng.sample([(ts, closed) for ts in grid for closed in (True, False)], rng.randint(1, 14))
        for ts, closed in pairs:
            seq = rng.randint(1, 9) if rng.random() < numbered else None
            fleet.switch.append(SwitchEvent(site_id, circuit_id, ts, closed, rng.choice(CAUSES), seq))
    fleet.power = power_log(rng, site_id, [], [], (grid[0], grid[-1]))
    return fleet


def merged(fleets: list[Fleet]) -> Fleet:
    """One fleet of several; their sites, circuits and tariffs have names of their own."""
    whole = Fleet()
    for fleet in fleets:
        for name, rows in vars(fleet).items():
            getattr(whole, name).extend(rows)
    return whole


def _add_site(rng: Random, fleet: Fleet, site_id: str, days: int) -> None:
    zone, changes, place = rng.choice(PLACES)
    first = rng.choice(changes) - ONE_DAY * rng.randint(0, days - 1)
    span = dates(first, first + ONE_DAY * (days - 1))
    latitude, longitude = place if rng.random() < 0.7 else (None, None)
    tariff = f"t-{site_id}" if rng.random() < 0.85 else None
    fleet.sites.append(SiteRow(site_id, zone, tariff, latitude, longitude))
    if tariff:
        fleet.tariffs += tariff_rows(rng, tariff, span)
    shape = rng.choice(SHAPES)
    circuits: list[CircuitRow] = []
    for k in range(rng.randint(0 if shape == "only_power" else 1, 4)):
        circuit_id, controller_id = f"{site_id}-c{k}", f"{site_id}-k{k // 2}"
        circuits += circuit_rows(rng, circuit_id, site_id, controller_id, span)
        fleet.windows += window_rows(rng, circuit_id, span)
    fleet.circuits += circuits
    begin, end = midnight(zone, span[0]), midnight(zone, span[-1] + ONE_DAY)
    begin += timedelta(seconds=rng.choice((0, 0, 1800, 7 * 3600, 40_000)))
    end -= timedelta(seconds=rng.choice((0, 0, 600, 5 * 3600, 50_000)))
    if shape != "only_power":
        fleet.switch += controllers_events(rng, circuits, begin, end)
    if shape != "no_power":
        fleet.power += power_log(rng, site_id, circuits, fleet.switch, (begin, end), scanty=shape == "scanty")
    for circuit_id in sorted({row.circuit_id for row in circuits}):
        if rng.random() < 0.35:
            rows = [row for row in fleet.windows if row.circuit_id == circuit_id]
            barred = [
                window(zone, day, row.start, row.end)
                for day in span
                for row in windows_of(rows, "lockout", day)
            ]
            fleet.meter += meter_log(rng, site_id, circuit_id, fleet.switch, (begin, end), barred)
        if rng.random() < 0.3:
            fleet.service.append(ServiceEntry(site_id, circuit_id, rng.choice(span), "contactor_replaced"))
    for controller_id in sorted({row.controller_id for row in circuits}):
        fleet.status += _reports(rng, site_id, controller_id, begin, end)
    fleet.service = [row for row in fleet.service if _within(zone, row.date, begin, end)]


def _within(zone: str, day: date, begin: datetime, end: datetime) -> bool:
    return date_at(zone, begin) <= day <= date_at(zone, end)


def _reports(
    rng: Random, site_id: str, controller_id: str, begin: datetime, end: datetime
) -> list[StatusReport]:
    found = {}
    for _ in range(rng.choice((0, 1, 3, 12))):
        ts = begin + timedelta(seconds=rng.randint(0, int((end - begin).total_seconds())))
        found[ts] = StatusReport(
            site_id, controller_id, ts, rng.choice((None, "1.4.0", "1.4.1", "2.0")), 60.0
        )
    return list(found.values())
