"""Logs with one value a row, turned into one row a time; bounded memory."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from service.runs.arithmetic.log_columns import LongForm, Mapping

_AT = "\x00time"


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
        """The whole times among the rows so far; the newest may go on in the next frame."""
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
        """What is left at the end."""
        rest, self._rest = self._rest, None
        return None if rest is None else self._gathered(rest)

    def _gathered(self, frame: pl.DataFrame) -> pl.DataFrame | None:
        long = self.mapping.long
        if not frame.height or not isinstance(long, LongForm):
            return None
        beside = [name for name in self.mapping.wanted if name in self.columns]
        channels = [name for name in self.mapping.wanted if name not in self.columns]
        name = pl.col(long.channel_column).str.strip_chars()
        seen = frame.select(name.unique()).to_series().drop_nulls().to_list()
        self.not_mapped |= {one for one in seen if one not in channels}
        times = list(self.mapping.time.columns)
        value = pl.col(long.value_column)
        wide = (
            frame.with_columns(pl.struct(times).rle_id().alias(_AT))
            .group_by(_AT, maintain_order=True)
            .agg(
                *(pl.col(one).first() for one in times),
                *(value.filter(name == one).drop_nulls().last().alias(one) for one in channels),
                *(pl.col(one).drop_nulls().last() for one in beside),
            )
            .drop(_AT)
        )
        kept = [*channels, *beside]
        if self._last is not None:
            wide = pl.concat([self._last, wide])
        wide = wide.with_columns(pl.col(kept).forward_fill())
        held = self._last is not None
        self._last = wide.tail(1)
        return wide.slice(1) if held else wide
