"""Frames of a log, one after the other: only the wanted columns, in bounded memory.

CSV is read in chunks of lines, Parquet in batches of rows; of XLSX one sheet is read whole, which
the format itself holds to 1,048,576 rows.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import polars as pl

from service.platform.errors import Refused
from service.platform.files.tables_in import extent_of
from service.runs.files.logs_format import (
    CHUNK_BYTES,
    FIELD,
    HEADING_WITHIN,
    MOST_COLUMNS,
    RIGHT,
    SAMPLE_ROWS,
    Kind,
    Lines,
    LogFormat,
    column_count,
    distinct,
    refuse_bomb,
    sample_rows,
    table_format,
    text_format,
)

BATCH_ROWS = 131_072
MOST_UNPACKED_MB = 600
MOST_SHEET_CELLS = 30_000_000
"""A sheet is laid out whole in memory, empty cells too."""
MEGABYTE = 1024 * 1024


class Told(Protocol):
    """What is said of how a file is written, by a mapping or a person; None: found."""

    @property
    def separator(self) -> str | None:
        """The sign between cells."""

    @property
    def decimal(self) -> str | None:
        """The decimal mark."""

    @property
    def header_line(self) -> int | None:
        """The line of the headings, from 1."""

    @property
    def sheet(self) -> str | None:
        """The name of an XLSX sheet."""


def look_at(path: Path, overrides: Told | None = None) -> LogFormat:
    """Find how this log is written. What was told is not looked for. Raises Refused."""
    with path.open("rb") as file:
        start = file.read(4)
    separator, decimal, header_line, sheet = (
        (overrides.separator, overrides.decimal, overrides.header_line, overrides.sheet)
        if overrides
        else (None, None, None, None)
    )
    if start == b"PAR1":
        return _parquet_format(path)
    if start == b"PK\x03\x04":
        return _xlsx_format(path, sheet, header_line)
    return text_format(path, separator=separator, decimal=decimal, header_line=header_line)


@dataclass(slots=True)
class Frames:
    """Frames with columns named by their headings. ``done_count`` of ``total`` bytes or rows are
    read.

    ``as_text`` are headings whose cells stay text. ``unreadable`` counts cells that hold something
    else than a number, by heading; ``examples`` shows the first of each.
    """

    path: Path
    written: LogFormat
    headings: Sequence[str]
    as_text: frozenset[str]
    chunk_bytes: int = CHUNK_BYTES
    done_count: int = 0
    total: int = 0
    unreadable: dict[str, int] = field(default_factory=dict)
    examples: dict[str, str] = field(default_factory=dict)
    cut_row_left_out: bool = False
    lines_lost: int = 0
    """lines swallowed by a quotation mark that is not closed"""

    def __iter__(self) -> Iterator[pl.DataFrame]:
        """One frame after the other."""
        if self.written.kind is Kind.CSV:
            return self._of_text()
        if self.written.kind is Kind.PARQUET:
            return self._of_parquet()
        return self._of_xlsx()

    def _of_text(self) -> Iterator[pl.DataFrame]:
        lines = Lines(self.path, self.written, self.chunk_bytes)
        self.total = lines.total
        usual = len(self.written.headings)
        for chunk in lines.chunks():
            whole = chunk
            if lines.cut_line and column_count(chunk, self.written.separator) < usual:
                self.cut_row_left_out = True
                continue
            self.done_count = lines.bytes_read
            yield self._parsed(whole)
        self.done_count = self.total

    def _parsed(self, chunk: bytes) -> pl.DataFrame:
        if not self.written.is_quoted and b'"' in chunk:
            chunk = chunk.replace(b'"', b"")
        frame = self._read(chunk, self.headings, self.as_text)
        if self.written.is_quoted and not self._has_comments(chunk):
            self.lines_lost += max(0, chunk.count(b"\n") - frame.height)
        doubtful = [
            name for name in self.headings if name not in self.as_text and frame[name].null_count()
        ]
        if doubtful:
            texts = self._read(chunk, doubtful, frozenset(doubtful))
            frame = frame.with_columns(
                self._numbers(name, texts[name]) for name in doubtful if len(texts)
            )
        return frame

    def _has_comments(self, chunk: bytes) -> bool:
        sign = (self.written.comment or "").encode()
        return bool(sign) and (chunk.startswith(sign) or b"\n" + sign in chunk)

    def _read(self, chunk: bytes, names: Sequence[str], as_text: frozenset[str]) -> pl.DataFrame:
        headings = self.written.headings
        schema: dict[str, Any] = {
            name: pl.String if name in as_text or name not in names else pl.Float64
            for name in headings
        }
        places = [index for index, name in enumerate(headings) if name in names]
        try:
            return pl.read_csv(
                chunk,
                has_header=False,
                schema=schema,
                columns=places,
                separator=self.written.separator,
                comment_prefix=self.written.comment,
                decimal_comma=self.written.decimal == ",",
                quote_char='"' if self.written.is_quoted else None,
                encoding="utf8-lossy",
                ignore_errors=True,
                truncate_ragged_lines=True,
                missing_columns="insert",
            )
        except BaseException as trouble:  # noqa: BLE001 - see refusing
            raise refusing(self.path, trouble, "it cannot be read") from None

    def _numbers(self, name: str, texts: pl.Series) -> pl.Series:
        """Cells as numbers; what is neither a number nor empty is counted."""
        plain = texts.str.strip_chars().str.replace("\u2212", "-", literal=True)
        if self.written.decimal == ",":
            plain = plain.str.replace(",", ".", literal=True)
        numbers = plain.cast(pl.Float64, strict=False)
        is_strange = (
            numbers.is_null() & plain.is_not_null() & ~plain.str.to_lowercase().is_in(_EMPTY)
        )
        count = int(is_strange.sum())
        if count:
            self.unreadable[name] = self.unreadable.get(name, 0) + count
            self.examples.setdefault(name, str(texts.filter(is_strange)[0]))
        return numbers.alias(name)

    def _of_parquet(self) -> Iterator[pl.DataFrame]:
        try:
            scan = pl.scan_parquet(self.path)
            self.total = int(scan.select(pl.len()).collect().item())
            # 8 bytes: each cell becomes a 64-bit number.
            refuse_bomb(self.path, 8 * self.total * len(self.headings), self.path.stat().st_size)
            names = dict(zip(self.written.headings, scan.collect_schema().names(), strict=True))
            picked = scan.select(pl.col(names[name]).alias(name) for name in self.headings)
            for frame in picked.collect_batches(chunk_size=BATCH_ROWS, maintain_order=True):
                self.done_count += frame.height
                yield self._typed(frame)
        except BaseException as trouble:  # noqa: BLE001 - see refusing
            raise refusing(self.path, trouble, "it cannot be read as Parquet") from None

    def _of_xlsx(self) -> Iterator[pl.DataFrame]:
        rows = _sheet(self.path, self.written.sheet, skip=self.written.data_line - 1)
        self.total = rows.height
        headings = self.written.headings
        have = {name: index for index, name in enumerate(headings) if index < rows.width}
        picked = rows.select(
            pl.nth(have[name]).alias(name) if name in have else pl.lit(None).alias(name)
            for name in self.headings
        )
        for begin in range(0, rows.height, BATCH_ROWS):
            frame = picked.slice(begin, BATCH_ROWS)
            self.done_count = min(self.total, begin + BATCH_ROWS)
            yield self._typed(frame)

    def _typed(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Number columns as numbers, whatever the file holds them as."""
        changed = []
        for name in self.headings:
            column = frame[name]
            if name in self.as_text or column.dtype == pl.Float64:
                continue
            if column.dtype == pl.String:
                changed.append(self._numbers(name, column))
            elif column.dtype.is_numeric() or column.dtype in {pl.Boolean, pl.Null}:
                changed.append(column.cast(pl.Float64))
            else:
                changed.append(self._numbers(name, column.cast(pl.String)))
        return frame.with_columns(changed) if changed else frame


def refusing(path: Path, trouble: BaseException, text: str) -> Refused:
    """Return what a reader raised, as a refusal; what it cannot have raised is raised on.

    A reader in Rust that finds a damaged file may panic, which is no Exception in Python.
    """
    is_panic = type(trouble).__name__ == "PanicException"
    if isinstance(trouble, Refused) or not (is_panic or isinstance(trouble, Exception)):
        raise trouble
    about = "it is damaged" if is_panic else (str(trouble).splitlines() or [""])[0][:120]
    return Refused(FIELD, path.name, f"{text} ({about}).", RIGHT)


_EMPTY = ["", "-", "--", "---", "nan", "n/a", "na", "null", "none"]


def _parquet_format(path: Path) -> LogFormat:
    try:
        scan = pl.scan_parquet(path)
        names = scan.collect_schema().names()
        _refuse_wide(path, len(names))
        sample = scan.head(sample_rows(len(names))).select(pl.all().cast(pl.String)).collect()
    except BaseException as trouble:  # noqa: BLE001 - see refusing
        raise refusing(path, trouble, "it cannot be read as Parquet") from None
    rows = tuple(tuple(_cell_text(cell) for cell in row) for row in sample.iter_rows())
    if not rows:
        raise Refused(FIELD, path.name, "it holds no row.", RIGHT)
    return LogFormat(
        Kind.PARQUET, False, "", "", ".", None, None, 0, 0, distinct(names), None, rows
    )


def _refuse_wide(path: Path, columns: int) -> None:
    if columns > MOST_COLUMNS:
        raise Refused(FIELD, path.name, f"it has more than {MOST_COLUMNS} columns.", RIGHT)


def _xlsx_format(path: Path, sheet: str | None, header_line: int | None) -> LogFormat:
    for name in [sheet] if sheet else _sheets(path):
        rows = _sheet(path, name, most=HEADING_WITHIN + SAMPLE_ROWS)
        texts = [[_cell_text(cell) for cell in row] for row in rows.iter_rows()]
        if any(any(row) for row in texts):
            return table_format(Kind.XLSX, texts, name or "", path.name, header_line)
    raise Refused(FIELD, path.name, "no sheet of it holds anything.", RIGHT)


def _cell_text(cell: Any) -> str:
    return "" if cell is None else str(cell).strip()


def _sheets(path: Path) -> list[str]:
    return list(_book(path).sheet_names)


def _sheet(path: Path, name: str | None, *, skip: int = 0, most: int | None = None) -> pl.DataFrame:
    book = _book(path)
    if name not in book.sheet_names:
        right = f"It has: {', '.join(book.sheet_names)}."
        raise Refused("sheet", name, "there is no such sheet in the file.", right)
    try:
        sheet = book.load_sheet(
            name,
            header_row=None,
            skip_rows=skip,
            n_rows=most,
            skip_whitespace_tail_rows=True,
            dtypes="string" if most is not None else None,
        )
        return pl.DataFrame(sheet)
    except BaseException as trouble:  # noqa: BLE001 - see refusing
        raise refusing(path, trouble, "a sheet of it cannot be read") from None


def _book(path: Path) -> Any:
    import fastexcel  # heavy, and only needed here

    most = MOST_UNPACKED_MB * MEGABYTE
    try:
        extent = extent_of(path, most)
        if extent.unpacked_bytes <= most and extent.cells <= MOST_SHEET_CELLS:
            return fastexcel.read_excel(path)
    except BaseException as trouble:  # noqa: BLE001 - see refusing
        raise refusing(path, trouble, "it cannot be read as XLSX") from None
    if extent.unpacked_bytes > most:
        right = f"At most {MOST_UNPACKED_MB}\u2009MB unpacked; as CSV or Parquet it can be read."
        raise Refused(FIELD, path.name, "it holds more than can be read as XLSX.", right)
    raise Refused(
        FIELD,
        path.name,
        f"a sheet of it reaches to row {extent.rows}, column {extent.columns}: more than can be"
        " read as XLSX.",
        f"At most {MOST_SHEET_CELLS // 1_000_000} million cells, empty ones among them; as CSV or"
        " Parquet it can be read.",
    )
