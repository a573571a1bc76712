"""Ranges of numbers with units and of dates: "0.5..2s", "2k..", "..-40dB", "2026-11..", "7d.."."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from catalog.errors import ParameterError
from catalog.search.conditions.columns import Column

RangeSpec = str | float | Sequence[float | str | None]
# Units that a number may be written with, by the unit of its column, and their factors.
UNITS: dict[str, dict[str, float]] = {
    "s": {"s": 1.0, "ms": 1e-3, "min": 60.0},
    "Hz": {"hz": 1.0, "k": 1e3, "khz": 1e3},
    "dB": {"db": 1.0},
    "dBFS": {"db": 1.0, "dbfs": 1.0},
    "LKFS": {"db": 1.0, "lkfs": 1.0, "lufs": 1.0},
    "": {"%": 0.01},
}
VALUE = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)\s*([a-z%]*)", re.IGNORECASE)
DAYS_AGO = re.compile(r"(\d{1,5})\s*d(?:ays?)?", re.IGNORECASE)
DATE = re.compile(r"(\d{4})(?:-(\d\d?))?(?:-(\d\d?))?")
LOWEST, HIGHEST = "0", "9999"  # text that sorts before and after each date; "" is no date


@dataclass(frozen=True)
class Range:
    """Lowest and highest value, both included, in the unit of the column."""

    low: float = -math.inf
    high: float = math.inf


@dataclass(frozen=True)
class Period:
    """First and last day, both included, as ISO 8601 text."""

    first: str = LOWEST
    last: str = HIGHEST


def parse_range(spec: RangeSpec, column: Column) -> Range:
    """Parse the range of a number.

    Parameters
    ----------
    spec : str or sequence of two values
        "LOW..HIGH", where one end may be left out, ">LOW", "<HIGH", or a pair with None for an open
        end; a unit at one end counts for both. A number alone is allowed where it counts something
    column : Column

    Returns
    -------
    Range

    Raises
    ------
    ParameterError
        if it is not a range, or its ends are in the wrong order
    """
    low, high = _split_ends(spec, column)
    units = [unit for _, unit in (low, high) if unit]
    found = Range(
        _scale(low, units[-1:], column, empty=-math.inf),
        _scale(high, units[-1:], column, empty=math.inf),
    )
    if found.low > found.high:
        raise ParameterError(f"{column.word}: the range {_show(spec)} ends before it begins")
    return found


def _split_ends(spec: RangeSpec, column: Column) -> tuple[tuple[str, str], tuple[str, str]]:
    """Return number and unit of both ends, as text; "" for an open end."""
    if not isinstance(spec, str | int | float):
        ends = ["" if end is None else str(end) for end in spec]
    else:
        text = str(spec).strip()
        if text[:1] in "<>" and text:
            end = text.lstrip("<>= ")
            ends = ["", end] if text[0] == "<" else [end, ""]
        elif ".." in text:
            ends = re.split(r"\.\.+", text)
        elif column.unit in ("", "Hz", "samples") and text:
            ends = [text, text]
        else:
            ends = []
    if len(ends) != 2 or not any(ends):
        raise ParameterError(
            f"{column.word}: {_show(spec)} is not a range; write LOW..HIGH, LOW.. or ..HIGH"
        )
    return _read_value(ends[0], column), _read_value(ends[1], column)


def _read_value(text: str, column: Column) -> tuple[str, str]:
    text = text.strip()
    if not text:
        return "", ""
    found = VALUE.fullmatch(text)
    units = UNITS.get(column.unit, {})
    if found is None or found[2].casefold() not in ("", *units):
        listed = f", with {' or '.join(units)} if you like" if units else ""
        raise ParameterError(f"{column.word}: {text!r} is not a number{listed}")
    return found[1], found[2].casefold()


def _scale(value: tuple[str, str], units: Sequence[str], column: Column, *, empty: float) -> float:
    number, own = value
    if not number:
        return empty
    unit = own or "".join(units)
    factor = UNITS.get(column.unit, {}).get(unit, 1.0)
    return float(number) * factor


def _show(spec: RangeSpec) -> str:
    return repr(spec) if isinstance(spec, str) else str(spec)


def parse_period(spec: str | Sequence[str | None], column: Column) -> Period:
    """Parse a range of dates: "2026-11-01..", "2026", "..2026-03", "today", "7d.." for a week ago.

    Raise `ParameterError` if it is none.
    """
    if not isinstance(spec, str):
        ends: list[str] = ["" if end is None else str(end) for end in spec]
    else:
        ends = re.split(r"\.\.+", spec.strip())
    if len(ends) == 1:
        ends = ends * 2
    if len(ends) != 2 or not any(ends):
        raise ParameterError(f"{column.word}: {spec!r} is not a date or a range of dates")
    period = Period(
        _day(ends[0], column).first if ends[0].strip() else LOWEST,
        _day(ends[1], column).last if ends[1].strip() else HIGHEST,
    )
    if period.first > period.last:
        raise ParameterError(f"{column.word}: the range {spec!r} ends before it begins")
    return period


def _day(text: str, column: Column) -> Period:
    """Return first and last day of a date, a month or a year."""
    text, today = text.strip().casefold(), datetime.now(UTC).date()
    ago = {"today": 0, "yesterday": 1}.get(text)
    if found := DAYS_AGO.fullmatch(text):
        ago = int(found[1])
    try:
        if ago is not None:
            day = (today - timedelta(days=ago)).isoformat()
            return Period(day, day)
        if found := DATE.fullmatch(text):
            year, month, day_of_month = (int(part) if part else 0 for part in found.groups())
            first = date(year, month or 1, day_of_month or 1)
            return Period(first.isoformat(), _last_day(first, month, day_of_month).isoformat())
    except (ValueError, OverflowError):
        pass
    raise ParameterError(
        f"{column.word}: {text!r} is not a date; write 2026-11-30, 2026-11, 2026, today or 7d"
    )


def _last_day(first: date, month: int, day: int) -> date:
    if day:
        return first
    if month:
        return (first.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
    return date(first.year, 12, 31)
