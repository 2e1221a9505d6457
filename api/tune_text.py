"""A tuning asked for in text: options of the command line and fields of the page's form are read alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbook.api.tune_order import TuneOrder, order_of
from coilbook.ingest.errors import InputError
from coilbook.ingest.kinds import APPLIANCES

LISTS = ("min_runs_min", "on_levels", "off_levels", "on_delays_s", "off_delays_s", "min_rests_min")
NUMBERS = ("contactor_change", "default_life_ops", "start_cost", "own_kwh_value")
WHOLES = ("seed", "resamples")
BATTERY = {"with": True, "without": False}
FAR = 1e9
"""The end of a range that is left open."""

Given = Mapping[str, str | Sequence[str] | None]


def order_from_text(given: Given) -> TuneOrder:
    """The order behind text values by field name; empty ones stay at their default. Raises `InputError`."""
    values: dict[str, Any] = {}
    for name, value in given.items():
        if isinstance(value, str):
            value = value.strip()
        if not value:
            continue
        values[name] = _read(name, value)
    if values.get("appliances"):
        values["appliances"] = appliances(values["appliances"])
    return order_of(values)


def appliances(names: Sequence[str]) -> list[str]:
    """Classes by name, `pool_pump` or `pool-pump`, each once; `all` for all. Raises `InputError`."""
    plain = [name.strip().lower().replace("-", "_").replace(" ", "_") for name in names]
    if "all" in plain:
        return []
    for name, said in zip(plain, names, strict=True):
        if name not in APPLIANCES:
            raise InputError(f"no class of appliance {said!r}; expected {', '.join(APPLIANCES)} or all")
    return list(dict.fromkeys(plain))


def numbers(name: str, text: str) -> list[float]:
    """`0, 5, 10` as numbers."""
    return [_number(name, part) for part in text.replace(";", ",").split(",") if part.strip()]


def span(name: str, text: str) -> tuple[float, float]:
    """`4-8`, `4-` or `-8` as from and to."""
    low, dash, high = text.partition("-")
    if not dash or not (low.strip() or high.strip()):
        raise InputError(f"{name} {text!r}: expected a range such as 4-8, 4- or -8")
    found = (_number(name, low) if low.strip() else 0.0, _number(name, high) if high.strip() else FAR)
    if found[1] <= found[0]:
        raise InputError(f"{name} {text!r}: the range ends before it begins")
    return found


def months(text: str) -> list[int]:
    """`5-9`, `11-2` or `6,7` as months of the year."""
    found: list[int] = []
    for part in text.split(","):
        first, dash, last = part.partition("-")
        a, b = _month(first), _month(last if dash else first)
        found += [(a - 1 + k) % 12 + 1 for k in range((b - a) % 12 + 1)]
    return sorted(set(found))


def _read(name: str, value: str | Sequence[str]) -> Any:
    if not isinstance(value, str):
        return [part for part in value if part.strip()]
    if name in LISTS:
        return numbers(name, value)
    if name in ("pv_kw", "variability"):
        return span(name, value)
    if name == "months":
        return months(value)
    if name == "also_clock":
        return True
    if name == "battery":
        return _battery(value)
    if name in NUMBERS:
        return _number(name, value)
    if name in WHOLES:
        return value
    return [value] if name in ("appliances", "areas") else value


def _battery(text: str) -> bool:
    if text not in BATTERY:
        raise InputError(f"battery {text!r}: expected with or without")
    return BATTERY[text]


def _number(name: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(f"{name} {text.strip()!r}: expected a number") from None


def _month(text: str) -> int:
    if not (text.strip().isdecimal() and 1 <= int(text) <= 12):
        raise InputError(f"season {text.strip()!r}: expected months as numbers, such as 5-9 or 6,7,8")
    return int(text)
