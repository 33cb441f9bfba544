"""Times of a log's rows in s: clock times since 1970-01-01 UTC, elapsed ones since their zero."""

from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from service.platform.errors import Refused
from service.runs.arithmetic.log_columns import ELAPSED_S, PATTERNS, TimeColumn, TimeKind
from service.runs.arithmetic.log_times import (
    DAY_FIRST,
    DAY_NUMBER,
    MILLISECONDS,
    MONTH_FIRST,
    SECONDS,
    FloatArray,
    clock_in,
)

_QUICK = ("%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y-%m-%d")
_ORDER = {DAY_FIRST: "dmy", MONTH_FIRST: "mdy"}
_OF_DAY = (
    r"(?:[T\s,]+(?P<hour>\d{1,2}):(?P<minute>\d{1,2})(?::(?P<second>\d{1,2}(?:[.,]\d+)?))?)?"
    r"\s*(?P<half>[AaPp][Mm])?\s*(?P<offset>Z|[+-]\d{2}:?\d{2})?\s*$"
)
_LAYOUT = {
    "dmy": r"^\s*(?P<day>\d{1,2})[-/.](?P<month>\d{1,2})[-/.](?P<year>\d{2,4})" + _OF_DAY,
    "mdy": r"^\s*(?P<month>\d{1,2})[-/.](?P<day>\d{1,2})[-/.](?P<year>\d{2,4})" + _OF_DAY,
    "ymd": r"^\s*(?P<year>\d{4})[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})" + _OF_DAY,
}
_DAY_ZERO_S = -2209161600.0
"""1899-12-30 00:00 in s since 1970."""
_MOST_DAYS = 1e7
"""Farther than any calendar: no time."""


@dataclass(slots=True)
class TimeReader:
    """Turns the time columns of one frame after the other into s; remembers the hour set back.

    In the hour which a change from summer time repeats, rows are read as the first pass until
    their local time goes back, then as the second.
    """

    time: TimeColumn
    zone: str
    _last_local: float = -np.inf
    _is_second: bool = False
    _pattern: str | None = None

    def __post_init__(self) -> None:
        """Refuse a zone nobody knows."""
        zone = self.time.zone or self.zone
        try:
            ZoneInfo(zone)
            pl.Series([], dtype=pl.Datetime("us")).dt.replace_time_zone(zone)
        except (KeyError, ValueError, OSError, pl.exceptions.PolarsError):
            raise Refused("zone", zone, "there is no such zone.", "Europe/Berlin is one.") from None

    def seconds(self, columns: list[pl.Series]) -> FloatArray:
        """Return the times of these rows; not a number where a cell holds none."""
        if self.time.kind is TimeKind.ELAPSED:
            return self._elapsed(columns[0])
        return self._clock(columns)

    def _elapsed(self, column: pl.Series) -> FloatArray:
        if column.dtype == pl.Duration:
            return _floats(column.dt.total_microseconds()) / 1e6
        if self.time.unit == "h:min:s":
            return _hms(_texts(column))
        if not column.dtype.is_numeric():
            column = _as_numbers(column)
        return _floats(column) * ELAPSED_S[self.time.unit]

    def _clock(self, columns: list[pl.Series]) -> FloatArray:
        first = columns[0]
        pattern = self.time.pattern
        if isinstance(first.dtype, pl.Datetime | pl.Date) and len(columns) == 1:
            naive = first.cast(pl.Datetime("us")) if first.dtype == pl.Date else first
            if getattr(naive.dtype, "time_zone", None):
                return _floats(naive.dt.timestamp("us")) / 1e6
            return self._in_zone(naive.cast(pl.Datetime("us")))
        if first.dtype.is_numeric() or pattern in {SECONDS, MILLISECONDS, DAY_NUMBER}:
            numbers = _floats(first if first.dtype.is_numeric() else _as_numbers(first))
            if pattern == MILLISECONDS:
                return numbers / 1e3
            if pattern == DAY_NUMBER:
                numbers = np.where(np.abs(numbers) < _MOST_DAYS, numbers, np.nan)
                # A float near 45 000 d is good to 7e-12 d, 0.6 µs: whole ms are what was meant.
                micro = np.round((numbers * 86400.0 + _DAY_ZERO_S) * 1e3) * 1e3
                naive = pl.Series(np.where(np.isnan(micro), 0, micro)).cast(pl.Int64)
                times = self._in_zone(naive.cast(pl.Datetime("us")))
                return np.where(np.isnan(numbers), np.nan, times)
            return numbers
        texts = _texts(first)
        for more in columns[1:]:
            texts = texts + " " + _texts(more)
        return self._written(texts)

    def _written(self, texts: pl.Series) -> FloatArray:
        pattern = self._pattern or self.time.pattern
        if pattern is None:
            clock = clock_in([text for text in texts.drop_nulls().head(500) if text.strip()])
            pattern = self._pattern = clock.pattern if clock else next(iter(PATTERNS))
        order = _ORDER.get(pattern, "ymd")
        if order == "ymd":
            plain = texts.str.replace("T", " ", literal=True).str.replace_all(
                "/", "-", literal=True
            )
            for layout in _QUICK:
                naive = plain.str.to_datetime(layout, strict=False, time_unit="us")
                if naive.null_count() == 0:
                    return self._in_zone(naive)
        return self._taken_apart(texts, _LAYOUT[order])

    def _taken_apart(self, texts: pl.Series, layout: str) -> FloatArray:
        parts = texts.str.extract_groups(layout).struct.unnest()
        whole = {name: parts[name].cast(pl.Int64, strict=False) for name in _WHOLE}
        year = whole["year"]
        year = pl.select(pl.when(year < 100).then(year + 2000).otherwise(year)).to_series()
        second = parts["second"].str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        half = parts["half"].str.to_lowercase()
        hour = whole["hour"].fill_null(0)
        hour = pl.select(
            pl.when((half == "pm").fill_null(False) & (hour < 12))
            .then(hour + 12)
            .when((half == "am").fill_null(False) & (hour == 12))
            .then(0)
            .otherwise(hour)
        ).to_series()
        days = _dates(year, whole["month"], whole["day"])
        micro = hour * 3_600_000_000 + whole["minute"].fill_null(0) * 60_000_000
        micro = micro + (second.fill_null(0.0) * 1e6).round().cast(pl.Int64)
        naive = days.cast(pl.Datetime("us")) + micro.cast(pl.Duration("us"))
        offset = parts["offset"]
        if offset.null_count() == len(offset):
            return self._in_zone(naive)
        since = _floats(naive.dt.timestamp("us")) / 1e6
        return np.where(
            np.isnan(_offset_s(offset)), self._in_zone(naive), since - _offset_s(offset)
        )

    def _in_zone(self, naive: pl.Series) -> FloatArray:
        zone = self.time.zone or self.zone
        early = _floats(
            naive.dt.replace_time_zone(
                zone, ambiguous="earliest", non_existent="null"
            ).dt.timestamp("us")
        )
        late = _floats(
            naive.dt.replace_time_zone(zone, ambiguous="latest", non_existent="null").dt.timestamp(
                "us"
            )
        )
        local = _floats(naive.dt.timestamp("us")) / 1e6
        is_twice = (late > early) & ~np.isnan(early)
        if is_twice.any():
            early = self._second_pass(local, early, late, is_twice)
        elif len(local):
            self._is_second = False
        finite = local[~np.isnan(local)]
        if len(finite):
            self._last_local = float(finite[-1])
        return early / 1e6

    def _second_pass(
        self, local: FloatArray, early: FloatArray, late: FloatArray, is_twice: Any
    ) -> FloatArray:
        before = np.concatenate(([self._last_local], local[:-1]))
        goes_back = is_twice & (local < before - 60.0)
        was = np.concatenate(([self._is_second], np.zeros(len(local) - 1, np.bool_)))
        second = np.maximum.accumulate(goes_back | was) & is_twice
        self._is_second = bool(second[-1])
        return np.where(second, late, early)


_WHOLE = ("year", "month", "day", "hour", "minute")


def _texts(column: pl.Series) -> pl.Series:
    if column.dtype == pl.String:
        return column.str.strip_chars()
    if column.dtype == pl.Datetime:
        return column.dt.strftime("%Y-%m-%d")
    return column.cast(pl.String)


def _as_numbers(column: pl.Series) -> pl.Series:
    plain = _texts(column).str.replace(",", ".", literal=True)
    return plain.cast(pl.Float64, strict=False)


def _floats(column: pl.Series) -> FloatArray:
    values: FloatArray = column.cast(pl.Float64).to_numpy()
    return values


def _hms(texts: pl.Series) -> FloatArray:
    """Hours, minutes and perhaps seconds as s."""
    parts = texts.str.extract_groups(r"^(\d+):(\d{1,2})(?::(\d{1,2}(?:[.,]\d+)?))?").struct.unnest()
    hours, minutes, seconds = (
        parts.to_series(index).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        for index in range(3)
    )
    return _floats(hours * 3600 + minutes * 60 + seconds.fill_null(0.0))


def _dates(year: pl.Series, month: pl.Series, day: pl.Series) -> pl.Series:
    text = pl.select(
        pl.concat_str(
            year.cast(pl.String),
            month.cast(pl.String).str.zfill(2),
            day.cast(pl.String).str.zfill(2),
            separator="-",
        )
    ).to_series()
    return text.str.to_date("%Y-%m-%d", strict=False)


def _offset_s(offset: pl.Series) -> FloatArray:
    """Offsets such as Z, +02:00 or -0530 in s."""
    parts = offset.str.replace("Z", "+0000").str.extract_groups(r"^([+-])(\d{2}):?(\d{2})$")
    signs, hours, minutes = (parts.struct.unnest().to_series(index) for index in range(3))
    sign = np.where(signs.to_numpy() == "-", -1.0, 1.0)
    return sign * (_floats(hours.cast(pl.Float64)) * 3600 + _floats(minutes.cast(pl.Float64)) * 60)
