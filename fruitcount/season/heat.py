"""Heat after bloom from a weather station's file, and what it says of the harvest's date.

Anderson, Richardson & Kesner, Acta Horticulturae 184:71-78, 1986 (asymmetric curve: base 4,
best 25, critical 36 degrees C, stress factor 1). UC Davis states that its 30-day sums use it
(fruitsandnuts.ucdavis.edu/node/6436).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from fruitcount.errors import BadInputError
from fruitcount.files import number_in, table_lines
from fruitcount.season.orchard import OrchardTree
from fruitcount.types import FloatArray

_BASE_C, _BEST_C, _CRITICAL_C = 4.0, 25.0, 36.0
# UC Davis; Lopez & DeJong, Acta Hort. 803: above it development is faster, harvest earlier and
# fruit smaller, so thin earlier
WARM_GDH30 = 6000.0
# third-party page citing Ben Mimoun & DeJong 1999, peach: days from bloom to harvest
_DAYS_SOONER_PER_GDH = 3.5 / 1000
_DAYS = 30
# our own choices: a gap that is bridged by a straight line, and the share of hours that may lack
_LONGEST_GAP_H, _MISSING_FRAC = 3.0, 0.1
# what stations write for "no value"; 99 may be a true value in Fahrenheit
_NO_VALUE = (-9999.0, -999.9, -999.0, -99.9, -99.0, 999.0, 999.9, 9999.0)
_NO_VALUE_C = (99.0, 99.9)
_NO_WORDS = ("", "-", "--", "m", "na", "n/a", "nan", "null", "none")
# our own choice: hourly air temperatures of an orchard from bloom on lie in it, in degrees C
_COLDEST_C, _HOTTEST_C, _HOTTEST_MEDIAN_C = -40.0, 50.0, 35.0
_TEMPERATURE = re.compile(r"(?:air.?)?temp(?:erature)?(?:[^a-z]*(?:deg\w*)?[^a-z]*([cf]))?\W*")
_TIME = ("time", "date_time", "datetime", "timestamp", "date time", "date")


def gdh_curve(temperature_c: ArrayLike) -> FloatArray:
    """Growing degree hours of one hour at each temperature, 0 to 21.

    Any shape, which the result has too.

    Parameters
    ----------
    temperature_c : array-like, degrees C
        NaN stays NaN.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    span = _BEST_C - _BASE_C
    rise = span / 2 * (1 + np.cos(math.pi + math.pi * (t - _BASE_C) / span))
    half_pi = math.pi / 2
    fall = span * (1 + np.cos(half_pi + half_pi * (t - _BEST_C) / (_CRITICAL_C - _BEST_C)))
    out = np.where(t <= _BEST_C, rise, fall)
    out = np.where((t < _BASE_C) | (t > _CRITICAL_C), 0.0, out)
    return np.where(np.isnan(t), np.nan, out)


def days_sooner(gdh30: float) -> float:
    """Days that harvest comes sooner than after a first month of 6,000 degree hours.

    Parameters
    ----------
    gdh30 : float
        A warmer first month makes them more: 3.5 days for every 1,000; NaN gives 0.
    """
    return 0.0 if math.isnan(gdh30) else (gdh30 - WARM_GDH30) * _DAYS_SOONER_PER_GDH


@dataclass(frozen=True, eq=False)
class Weather:
    """Temperatures hour by hour.

    Attributes
    ----------
    start : datetime
        Local time of the first hour.
    hourly_c : float array, shape (hours,), degrees C
        NaN where the file tells nothing within a short gap.
    notes : tuple of str
        How the file was read.
    """

    start: datetime
    hourly_c: FloatArray
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Heat:
    """Heat of the 30 days after one tree's full bloom.

    Attributes
    ----------
    gdh30 : float
        Growing degree hours; NaN where they cannot be told.
    words : str
        The sum with what was missing, or why there is none.
    """

    gdh30: float
    words: str


def read_weather(path: str | Path) -> Weather:
    """Read a CSV file of a time and a temperature, at most three hours apart.

    The unit is that of the column's name (``temperature_c``, ``temp (F)``), else told from the
    values. Values that stations write for a missing one (-9999, 99 in degrees C) are left out.
    Gaps of up to three hours are bridged by a straight line.

    Raises
    ------
    BadInputError
        Naming the line, when a column is missing, a cell cannot be read, a value cannot be, or
        the lines are too far apart.
    """
    lines, unit = _lines(path)
    notes = []
    values = np.array([value for _, _, value in lines])
    known = values[~np.isnan(values) & ~np.isin(values, _NO_VALUE)]
    if not len(known):
        raise BadInputError(f"{path}: the file holds no temperature")
    looks_f = float(np.median(known)) > _HOTTEST_MEDIAN_C
    if unit == "c" and looks_f:
        raise BadInputError(
            f"{path}: half of the values are over {np.median(known):.0f}, too hot for degrees C: "
            "name the column temperature_f if they are in Fahrenheit"
        )
    fahrenheit = unit == "f" or looks_f
    if fahrenheit:
        notes.append("Read as degrees Fahrenheit.")
    none = np.isin(values, _NO_VALUE if fahrenheit else _NO_VALUE + _NO_VALUE_C)
    if none.any():
        what = " and ".join(f"{v:g}" for v in np.unique(values[none]))
        values_told = "1 value" if none.sum() == 1 else f"{none.sum()} values"
        notes.append(f"{values_told} of {what} taken for missing.")
    celsius = np.where(none, np.nan, (values - 32) / 1.8 if fahrenheit else values)
    wrong = (celsius < _COLDEST_C) | (celsius > _HOTTEST_C)
    if wrong.any():
        where, _, value = lines[int(np.argmax(wrong))]
        raise BadInputError(f"{where}: {value:g} cannot be a temperature in an orchard")
    start, hourly, step_h = _by_hour(path, [when for _, when, _ in lines], celsius)
    if step_h > 1:
        notes.append(f"One value every {step_h:.0f} hours; the hours between lie on a line.")
    return Weather(start, hourly, tuple(notes))


def _lines(path: str | Path) -> tuple[list[tuple[str, datetime, float]], str]:
    """Where each line stands, its time and value, and the unit that the header tells."""
    out = []
    rows = table_lines(path, 1_000_000)  # a year, minute by minute, is half of that
    _, header = next(rows, ("", {}))
    names = {name.strip().lower(): name for name in header}
    found = {name: m for name in names if (m := _TEMPERATURE.fullmatch(name))}
    when = next((names[n] for n in _TIME if n in names), None)
    if when is None or len(found) != 1:
        raise BadInputError(f"{path}: the file needs a column time and one temperature_c")
    (name, match), *_ = found.items()
    for where, row in rows:
        what, cell = "a time must read like 2027-03-18T05:00", row[when]
        try:
            moment = datetime.fromisoformat(cell).replace(tzinfo=None)
            what, cell = "a temperature must be a number", row[names[name]]
            value = math.nan if cell.lower() in _NO_WORDS else number_in(cell)
        except ValueError as error:
            raise BadInputError(f"{where}: {what}, got {cell!r}") from error
        if math.isinf(value):
            raise BadInputError(f"{where}: a temperature must be finite, got {cell!r}")
        out.append((where, moment, value))
    return sorted(out, key=lambda line: line[1]), match.group(1) or ""


def _by_hour(
    path: str | Path, times: Sequence[datetime], celsius: FloatArray
) -> tuple[datetime, FloatArray, float]:
    """First hour, temperature of every hour, and the usual step in hours."""
    start = times[0].replace(minute=0, second=0, microsecond=0)
    at_h = np.array([(t - start) / timedelta(hours=1) for t in times])
    steps_h = np.diff(np.unique(at_h))
    step_h = float(np.median(steps_h)) if len(steps_h) else 1.0
    if step_h > _LONGEST_GAP_H:
        raise BadInputError(
            f"{path}: a value every {step_h:.0f} hours is too few: the heat of a day needs one "
            f"at least every {_LONGEST_GAP_H:.0f} hours"
        )
    if at_h[-1] > 24 * 366 * 5:
        raise BadInputError(f"{path}: times run over more than five years")
    known = ~np.isnan(celsius)
    whole = np.floor(at_h[known]) if step_h < 1 else at_h[known]
    at, inverse = np.unique(whole, return_inverse=True)
    mean = np.bincount(inverse, celsius[known]) / np.bincount(inverse)
    hours = np.arange(math.floor(at_h[-1]) + max(round(step_h), 1), dtype=np.float64)
    after = np.clip(np.searchsorted(at, hours), 0, len(at) - 1)
    before = np.clip(np.searchsorted(at, hours, side="right") - 1, 0, len(at) - 1)
    # the end of the file is borne like a gap that the next line would close
    near = (at[after] - at[before] <= _LONGEST_GAP_H) & (hours - at[-1] < max(step_h, 1))
    near &= hours >= math.floor(at[0])
    return start, np.where(near, np.interp(hours, at, mean), np.nan), step_h


def heat_after(weather: Weather, bloom: date) -> Heat:
    """The 30-day heat sum from the day of full bloom on.

    Missing hours get the mean heat of the same hour on other days, because nights and days
    differ. There is no sum before the 30 days are over, when over a tenth of the hours is
    missing, or when one hour of the day is missing on half of the days.
    """
    begin = datetime.combine(bloom, time())
    first = round((begin - weather.start) / timedelta(hours=1))
    told = len(weather.hourly_c) - first
    if told < 24 * _DAYS:
        days = max(told, 0) // 24
        return Heat(math.nan, f"no sum: the file has {days} of the {_DAYS} days after bloom")
    hours = np.full(24 * _DAYS, math.nan)
    hours[min(max(-first, 0), len(hours)) :] = weather.hourly_c[
        max(first, 0) : max(first + len(hours), 0)
    ]
    heat = gdh_curve(hours).reshape(_DAYS, 24)
    lack = np.isnan(heat)
    if lack.mean() > _MISSING_FRAC or lack.mean(axis=0).max() > 0.5:
        begins = f"; the file begins on {weather.start.date()}" if first < 0 else ""
        return Heat(math.nan, f"no sum: {lack.sum()} of {len(hours)} hours are missing{begins}")
    total = float(np.nanmean(heat, axis=0).sum() * _DAYS)
    missing = f" ({lack.sum()} of {len(hours)} hours were missing)" if lack.any() else ""
    return Heat(total, f"{total:,.0f} degree hours{missing}")


def heat_by_tree(trees: Iterable[OrchardTree], weather: Weather) -> Mapping[str, Heat]:
    """Heat after bloom of each tree whose day of full bloom is known."""
    return {t.name: heat_after(weather, t.bloom_date) for t in trees if t.bloom_date}
