"""Random settings, windows and tariffs, with histories written in either style of `valid_to`."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time
from random import Random

from reference.clock import ONE_DAY
from reference.rows import CircuitRow, TariffRow, WindowRow

Span = list[date]


def history(rng: Random, span: Span, most: int) -> list[tuple[date | None, date | None]]:
    """(valid_from, valid_to) of successive rows: abutting, meeting on one day, open, or with a hole."""
    cuts = sorted(rng.sample(span, min(len(span), rng.randint(1, most))))[1:]
    first = rng.choice((None, None, None, span[0], span[min(1, len(span) - 1)]))
    begins = [first, *[day for day in cuts if first is None or day > first]]
    found: list[tuple[date | None, date | None]] = []
    for n, begin in enumerate(begins):
        end = rng.choice((None, None, None, span[-1]))
        if n + 1 < len(begins):
            after = begins[n + 1]
            assert after is not None
            end = rng.choice((after, after - ONE_DAY, after - ONE_DAY, None, after - 2 * ONE_DAY))
            if end is not None and begin is not None and end < begin:
                end = begin
        found.append((begin, end))
    return found


def circuit_rows(
    rng: Random, circuit_id: str, site_id: str, controller_id: str, span: Span
) -> list[CircuitRow]:
    """One to three rows of settings."""
    mech = rng.choice((None, 100_000.0, 1e6))
    row = CircuitRow(
        circuit_id,
        site_id,
        controller_id,
        rated_w=rng.choice((None, 1500.0, 1500.0, 3600.0, 750.0)),
        load_a=rng.choice((None, 6.2, 15.0, 20.0)),
        mech_life_ops=mech,
        elec_life_ops=rng.choice((None, 50_000.0, 200_000.0)),
        elec_life_a=rng.choice((None, 10.0, 25.0)),
        fitted_on=rng.choice((None, span[0] - 400 * ONE_DAY, *span)),
        ops_at_fit=rng.choice((None, 0.0, 1200.0)),
    )
    return [
        replace(
            row,
            rated_w=rng.choice((row.rated_w, row.rated_w, 2000.0)),
            min_run_s=rng.choice((None, 60.0, 600.0, 1800.0, 7200.0)),
            min_rest_s=rng.choice((None, 0.0, 30.0, 300.0, 3600.0)),
            surplus_on_w=rng.choice((None, 1500.0)),
            surplus_off_w=rng.choice((None, 750.0, 750.0, 1500.0)),
            valid_from=begin,
            valid_to=end,
        )
        for begin, end in history(rng, span, 3)
    ]


def window_rows(rng: Random, circuit_id: str, span: Span) -> list[WindowRow]:
    """Up to four windows of either kind, some with a history."""
    found = []
    for n in range(rng.randint(0, 4)):
        kind = rng.choice(("run", "run", "lockout"))
        for begin, end in history(rng, span, rng.choice((1, 1, 2))):
            start = _wall(rng)
            stop = rng.choice((_wall(rng), start, time((start.hour + rng.randint(1, 5)) % 24, start.minute)))
            need = rng.choice((None, None, None, 0.0, 20.0, 90.0, 2000.0)) if kind == "run" else None
            found.append(WindowRow(circuit_id, f"w{n}", kind, _days(rng), start, stop, need, begin, end))
    return found


def tariff_rows(rng: Random, tariff_id: str, span: Span) -> list[TariffRow]:
    """A day of prices without overlap: with or without a stretch of no price, by weekday, with a history."""
    if rng.random() < 0.3:
        return _parts(rng, tariff_id, "daily", wraps=True)
    if rng.random() < 0.4:
        return [*_parts(rng, tariff_id, "weekdays"), *_parts(rng, tariff_id, "weekends")]
    found: list[TariffRow] = []
    parts: list[TariffRow] = []
    ended = True
    for n, (begin, end) in enumerate(history(rng, span, 2)):
        # A row without an end gives way only to one of the same start, so then the edges stay.
        parts = _parts(rng, tariff_id, "daily") if (ended and rng.random() < 0.6) or not parts else parts
        ended = end is not None
        prices = [round(row.import_per_kwh + 0.01 * n, 3) for row in parts]
        found += [
            replace(row, import_per_kwh=price, valid_from=begin, valid_to=end)
            for row, price in zip(parts, prices, strict=True)
        ]
    return found


def _parts(rng: Random, tariff_id: str, days: str, *, wraps: bool = False) -> list[TariffRow]:
    # No edge in the small hours: an edge that a clock change skips would make two prices hold at once.
    edges = sorted({time(h, rng.choice((0, 30))) for h in rng.sample(range(5, 23), rng.randint(1, 4))})
    edges = edges if wraps and len(edges) > 1 else [time(0), *edges]
    rows = []
    for n, start in enumerate(edges):
        price = rng.choice((0.11, 0.18, 0.27, 0.42, -0.02))
        rows.append(TariffRow(tariff_id, days, start, edges[(n + 1) % len(edges)], price))
    if rng.random() < 0.15:
        rows.pop(rng.randrange(len(rows)))
    return rows


def _wall(rng: Random) -> time:
    hour = rng.choice((0, 1, 2, 3, 23, *range(24)))
    return time(hour, rng.choice((0, 15, 30, 45)))


def _days(rng: Random) -> str:
    named = ",".join(rng.sample(("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"), 4))
    return rng.choice(("daily", "daily", "daily", "weekdays", "weekends", named))
