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

import numpy as np
import polars as pl

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.units import Measure
from service.platform.errors import Question, Refused
from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.log_columns import MEASURE_OF, LongForm, Mapping, TimeKind
from service.runs.arithmetic.log_guess import Guess, guess_mapping
from service.runs.arithmetic.log_guess_columns import Doubt
from service.runs.arithmetic.log_ranges import CELL_RANGE, SIGNAL_RANGES, LogRange, doubted_values
from service.runs.arithmetic.log_times import BoolArray, FloatArray
from service.runs.arithmetic.log_units import linear
from service.runs.files.logs_format import CHUNK_BYTES, LogFormat
from service.runs.files.logs_frames import Frames, look_at
from service.runs.files.logs_times import TimeReader

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
