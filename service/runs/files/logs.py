"""A test bench's log read in batches: times in s, cell voltages and signals in the lab's units.

    written = look_at(path)                        how it is written, with a sample
    guess = guess_log(written)                     which column is what, with every doubt
    log = RunLog(path, guess.mapping, zone)        as a person confirmed it
    for batch in log.batches(progress): ...        in order, bounded memory
    log.notes                                      what was left out and why

Nothing is forced to agree: cell voltages that do not add up to the stack's stay as they are.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.units import Measure
from service.platform.errors import Question, Refused
from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.log_columns import (
    ELAPSED_S,
    MEASURE_OF,
    PATTERNS,
    LongForm,
    Mapping,
    TimeColumn,
    TimeKind,
)
from service.runs.arithmetic.log_guess import Guess, guess_mapping
from service.runs.arithmetic.log_guess_columns import Doubt
from service.runs.arithmetic.log_ranges import CELL_RANGE, SIGNAL_RANGES, LogRange, doubted_values
from service.runs.arithmetic.log_times import (
    DAY_FIRST,
    DAY_NUMBER,
    MILLISECONDS,
    MONTH_FIRST,
    SECONDS,
    BoolArray,
    FloatArray,
    clock_in,
)
from service.runs.arithmetic.log_units import linear
from service.runs.files.logs_format import CHUNK_BYTES, LogFormat
from service.runs.files.logs_frames import Frames, look_at

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


# Logs with one value a row, turned into one row a time; bounded memory.


_AT = "\x00time"
LEAVE_OUT = {"left out": "leave these values out"}


@dataclass(slots=True)
class Pivot:
    """Gathers the values of one time into one row.

    Channels logged at different times hold their last value until the next. ``not_mapped`` are
    channels the mapping does not name.
    """

    mapping: Mapping
    columns: Sequence[str]
    not_mapped: set[str] = field(default_factory=set)
    _rest: pl.DataFrame | None = None
    _last: pl.DataFrame | None = None

    def feed(self, frame: pl.DataFrame) -> pl.DataFrame | None:
        """Return the whole times among the rows so far; the newest may go on in the next frame."""
        times = list(self.mapping.time.columns)
        frame = frame.filter(pl.all_horizontal(pl.col(times).is_not_null())) if times else frame
        if self._rest is not None:
            frame = pl.concat([self._rest, frame])
        if not frame.height:
            return None
        newest = frame.select(times).row(-1)
        is_newest = pl.all_horizontal(
            pl.col(name) == value for name, value in zip(times, newest, strict=True)
        )
        tail = frame.select(is_newest.reverse().cum_min().reverse().alias(_AT)).to_series()
        self._rest = frame.filter(tail)
        return self._gathered(frame.filter(~tail))

    def finish(self) -> pl.DataFrame | None:
        """Return what is left at the end."""
        rest, self._rest = self._rest, None
        return None if rest is None else self._gathered(rest)

    def _gathered(self, frame: pl.DataFrame) -> pl.DataFrame | None:
        long = self.mapping.long
        if not frame.height or not isinstance(long, LongForm):
            return None
        beside = [name for name in self.mapping.wanted if name in self.columns]
        channels = [name for name in self.mapping.wanted if name not in self.columns]
        name = pl.col(long.channel_column).str.strip_chars()
        channels_found = frame.select(name.unique()).to_series().drop_nulls().to_list()
        self.not_mapped |= {channel for channel in channels_found if channel not in channels}
        times = list(self.mapping.time.columns)
        value = pl.col(long.value_column)
        wide = (
            frame.with_columns(pl.struct(times).rle_id().alias(_AT))
            .group_by(_AT, maintain_order=True)
            .agg(
                *(pl.col(time).first() for time in times),
                *(
                    value.filter(name == channel).drop_nulls().last().alias(channel)
                    for channel in channels
                ),
                *(pl.col(column).drop_nulls().last() for column in beside),
            )
            .drop(_AT)
        )
        value_columns = [*channels, *beside]
        if self._last is not None:
            wide = pl.concat([self._last, wide])
        wide = wide.with_columns(pl.col(value_columns).forward_fill())
        has_last = self._last is not None
        self._last = wide.tail(1)
        return wide.slice(1) if has_last else wide


__all__ = ["LogBatch", "LogNotes", "Progress", "RunLog", "doubts_of", "guess_log", "look_at"]

Progress = Callable[[int, int], None]
"""Told after each batch: bytes (of Parquet and XLSX: rows) done, and of how many."""


@dataclass(slots=True)
class LogNotes:
    """What was read and what was left out, in numbers and words."""

    rows: int = 0
    rows_without_time: int = 0
    unreadable: dict[str, int] = field(default_factory=dict)
    examples: dict[str, str] = field(default_factory=dict)
    beyond: dict[str, int] = field(default_factory=dict)
    """values no channel can have measured, by column; ``beyond_words`` shows the first of each"""
    beyond_words: dict[str, str] = field(default_factory=dict)
    cut_row_left_out: bool = False
    lines_lost: int = 0
    channels_not_mapped: tuple[str, ...] = ()

    @property
    def in_words(self) -> tuple[str, ...]:
        """One sentence for each thing left out."""
        sentences = []
        if self.rows_without_time:
            sentences.append(
                f"{self.rows_without_time} rows without a readable time were left out."
            )
        if self.cut_row_left_out:
            sentences.append("The last row ends in its middle and was left out.")
        if self.lines_lost:
            lost = f"{self.lines_lost} lines were not read"
            sentences.append(f"{lost}: a quotation mark before them is not closed.")
        for name, count in self.unreadable.items():
            cells = "cell holds" if count == 1 else "cells hold"
            sentences.append(f"{name}: {count} {cells} no number, such as “{self.examples[name]}”.")
        for name, count in self.beyond.items():
            values = "value lies" if count == 1 else "values lie"
            lie = f"{count} {values} outside {self.beyond_words[name]}."
            sentences.append(Question("over_range", name, lie, answers=LEAVE_OUT).left_out)
        if self.channels_not_mapped:
            sentences.append(
                f"Not mapped and not read: {', '.join(self.channels_not_mapped[:20])}."
            )
        return tuple(sentences)


def guess_log(written: LogFormat) -> Guess:
    """Guess which column of this log is what. Raises Refused where nothing looks like a run."""
    try:
        return guess_mapping(
            written.headings, written.sample, units=written.units, decimal=written.decimal
        )
    except TradeError as trouble:
        raise Refused("mapping", "", str(trouble), "Say by hand which column is what.") from None


def doubts_of(written: LogFormat, mapping: Mapping) -> tuple[Doubt, ...]:
    """Return what the first rows make doubtful about columns that were chosen before."""
    return doubted_values(mapping, written.headings, written.sample, written.decimal)


@dataclass(slots=True)
class RunLog:
    """A log and the mapping it is read through; ``zone`` is the lab's IANA name.

    Raises Refused where the file is not readable, or a mapped column is not in it.
    """

    path: Path
    mapping: Mapping
    zone: str = "UTC"
    chunk_bytes: int = CHUNK_BYTES
    written: LogFormat = field(init=False)
    notes: LogNotes = field(default_factory=LogNotes)

    def __post_init__(self) -> None:
        """Look at the file and compare its headings with the mapping."""
        self.written = look_at(self.path, self.mapping)
        missing = [name for name in self._columns if name not in self.written.headings]
        if missing:
            raise Refused(
                "mapping",
                ", ".join(missing[:10]),
                "the log has no such column.",
                f"Its columns are: {', '.join(self.written.headings[:40])}.",
            )

    @property
    def has_clock(self) -> bool:
        """Say whether its times are clock times, so that they tell when the run was."""
        return self.mapping.time.kind is TimeKind.CLOCK

    @property
    def _columns(self) -> tuple[str, ...]:
        beside = [name for name in self.mapping.wanted if name in self.written.headings]
        return tuple(dict.fromkeys((*self.mapping.columns, *beside)))

    def batches(self, progress: Progress | None = None) -> Iterator[LogBatch]:
        """Return rows in order. Raises Refused where the file turns out damaged."""
        self.notes = LogNotes()
        mapping, long = self.mapping, self.mapping.long
        clocked = mapping.time.columns if self.has_clock or mapping.time.unit == "h:min:s" else ()
        as_text = frozenset({*clocked, *([long.channel_column] if long else [])})
        frames = Frames(self.path, self.written, self._columns, as_text, self.chunk_bytes)
        times = TimeReader(mapping.time, self.zone)
        pivot = Pivot(mapping, self._columns) if long else None
        for frame in frames:
            yield from self._batch(pivot.feed(frame) if pivot else frame, times)
            if progress is not None:
                progress(frames.done_count, frames.total)
        if pivot is not None:
            yield from self._batch(pivot.finish(), times)
            self.notes.channels_not_mapped = tuple(sorted(pivot.not_mapped))
        self.notes.unreadable = dict(frames.unreadable)
        self.notes.examples = dict(frames.examples)
        self.notes.cut_row_left_out = frames.cut_row_left_out
        self.notes.lines_lost = frames.lines_lost

    def _batch(self, frame: pl.DataFrame | None, times: TimeReader) -> Iterator[LogBatch]:
        if frame is None or not frame.height:
            return
        names = self.mapping.time.columns
        if self.mapping.time.kind is TimeKind.NONE:
            frame, seconds = self._without_blank(frame), self._by_spacing(frame.height)
        else:
            seconds = times.seconds([frame[name] for name in names])
            is_timed = np.isfinite(seconds)
            if not is_timed.all():
                frame = self._without_time(frame, is_timed)
                seconds = seconds[is_timed]
        if not frame.height:
            return
        first = self.notes.rows + 1
        self.notes.rows += frame.height
        yield LogBatch(
            first,
            None if seconds is None else seconds[: frame.height],
            {
                cell.channel: self._values(
                    frame[cell.column], cell.unit, Measure.VOLTAGE, CELL_RANGE
                )
                for cell in self.mapping.cells
            },
            {
                signal.signal: self._values(
                    frame[signal.column],
                    signal.unit,
                    MEASURE_OF[signal.signal],
                    SIGNAL_RANGES[signal.signal],
                )
                for signal in self.mapping.signals
            },
        )

    def _by_spacing(self, rows: int) -> FloatArray | None:
        spacing = self.mapping.time.spacing_s
        if spacing is None:
            return None
        return np.arange(self.notes.rows, self.notes.rows + rows, dtype=np.float64) * spacing

    def _without_blank(self, frame: pl.DataFrame) -> pl.DataFrame:
        return frame.filter(~pl.all_horizontal(pl.col(*self.mapping.wanted).is_null()))

    def _without_time(self, frame: pl.DataFrame, is_timed: BoolArray) -> pl.DataFrame:
        untimed = frame.filter(pl.Series(~is_timed))
        blank = untimed.filter(pl.all_horizontal(pl.all().is_null())).height
        self.notes.rows_without_time += untimed.height - blank
        return frame.filter(pl.Series(is_timed))

    def _values(
        self, column: pl.Series, unit: str, measure: Measure, allowed: LogRange
    ) -> FloatArray:
        values: FloatArray = column.to_numpy()
        factor, addend = linear(unit, measure)
        if factor != 1.0 or addend != 0.0:
            values = values * factor + addend
        if not values.size or (values.min() >= allowed.least and values.max() <= allowed.most):
            return values  # nearly always: looked at without a copy
        is_beyond = (values < allowed.least) | (values > allowed.most)
        count = int(is_beyond.sum())
        if not count:
            return values  # some are not a number
        name, first = column.name, float(column[int(is_beyond.argmax())])
        self.notes.beyond[name] = self.notes.beyond.get(name, 0) + count
        self.notes.beyond_words.setdefault(name, f"{allowed}, such as {first:g} {unit}")
        return np.where(is_beyond, np.nan, values)
