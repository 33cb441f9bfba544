"""How a test bench's log is written: kind of file, signs, separator, decimal mark, heading line.

Found from the first part of the file and shown to the person; a mapping may say otherwise.
"""

import codecs
import csv
import gzip
import re
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import BinaryIO

from service.platform.errors import Refused
from service.runs.arithmetic.log_columns import SEPARATORS
from service.runs.arithmetic.log_times import clock_in, is_time_of_day
from service.runs.arithmetic.log_units import measure_of, mended, parted

FIELD = "log"
RIGHT = "A CSV (also packed as .gz), Parquet or XLSX file with one row a time would be right."
LOOKED_AT = 256 * 1024
"""Bytes of unpacked text looked at."""
SAMPLE_ROWS = 2_000
SAMPLE_CELLS = 10_000
"""A sample has at most so many rows, and of wide logs fewer: about so many cells."""
HEADING_WITHIN = 200
MOST_COLUMNS = 3_000
COMMENTS = ("#", "%", "//")
_EMPTY_WORDS = frozenset({"", "-", "--", "---", "nan", "n/a", "na", "null", "none"})
_UNITLESS = frozenset({"", "-", "1", "%", "%rh", "rpm", "ppm", "-/-", "hz", "pa", "bar", "ms", "d"})


class Kind(StrEnum):
    """Kinds of file a log may be."""

    CSV = "CSV"
    PARQUET = "Parquet"
    XLSX = "XLSX"


@dataclass(frozen=True, slots=True)
class LogFormat:
    """How a log is written. ``units`` is the row of units behind the headings, where there is one.

    ``sample`` are rows as text, at most SAMPLE_ROWS; lines count from 1; ``data_line`` is the first
    line of values (of CSV and XLSX). ``is_quoted``: quotation marks hold cells together which have
    the separator inside; else they are left out, so that one alone does not spoil all that follow.
    """

    kind: Kind
    is_packed: bool
    encoding: str
    separator: str
    decimal: str
    comment: str | None
    sheet: str | None
    header_line: int
    data_line: int
    headings: tuple[str, ...]
    units: tuple[str, ...] | None
    sample: tuple[tuple[str, ...], ...]
    line_end: str = "\n"
    is_quoted: bool = False

    @property
    def described(self) -> str:
        """The same in words for people."""
        if self.kind is Kind.PARQUET:
            return f"Parquet, {len(self.headings)} columns"
        parts = [f"sheet “{self.sheet}” of XLSX"]
        if self.kind is Kind.CSV:
            words = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}
            encoding_names = {
                "utf-8": "UTF-8",
                "cp1252": "Windows-1252 or Latin-1",
                "latin-1": "Latin-1",
            }
            parts = [
                "CSV packed as gzip" if self.is_packed else "CSV",
                encoding_names.get(self.encoding, "UTF-16"),
                f"cells separated by {words[self.separator]}",
                f"decimal {'comma' if self.decimal == ',' else 'point'}",
            ]
        if self.header_line:
            parts.append(f"headings in line {self.header_line}")
        if self.units:
            parts.append("units in the line behind them")
        return ", ".join([*parts, f"{len(self.headings)} columns"])


def text_format(
    path: Path,
    *,
    separator: str | None = None,
    decimal: str | None = None,
    header_line: int | None = None,
) -> LogFormat:
    """Find how this text file is written. What is given is not looked for.

    Raises Refused: empty, not a text, no table in it, damaged where it is packed.
    """
    start, is_packed, is_whole = _start(path)
    if not start.strip():
        raise Refused(FIELD, path.name, "the file is empty.", RIGHT)
    text, encoding = _decoded(start, path.name)
    line_end = "\n" if "\n" in text or "\r" not in text else "\r"
    lines = [line.rstrip("\r") for line in text.removeprefix("\ufeff").split(line_end)]
    if not is_whole and len(lines) > 1:
        lines.pop()  # cut in the middle
    lines = lines[: HEADING_WITHIN + SAMPLE_ROWS]
    separator, decimal = _signs(lines, separator, decimal)
    split = [_split(line, separator) for line in lines]
    comment = _comment(lines)
    if header_line is None:
        first = _first_values(split, lines, comment, decimal, path.name)
        heading, units = _above(split, lines, first)
    else:
        heading = header_line - 1
        if heading >= len(lines) or not lines[heading].strip():
            raise Refused("header_line", header_line, "there is nothing in that line.")
        units = _units_behind(split, heading)
        first = heading + (2 if units else 1)
    headings = split[heading] if heading is not None else ()
    width = max(len(headings), Counter(map(len, split[first:])).most_common(1)[0][0])
    names = tuple(headings) or tuple(f"column {width_}" for width_ in range(1, width + 1))
    if comment and names[0].startswith(comment):
        names = (names[0].removeprefix(comment).strip(), *names[1:])
    sample = [
        row
        for row, line in zip(split[first:], lines[first:], strict=True)
        if line.strip() and not (comment and line.lstrip().startswith(comment))
    ]
    return LogFormat(
        Kind.CSV,
        is_packed,
        encoding,
        separator,
        decimal,
        comment,
        None,
        0 if heading is None else heading + 1,
        first + 1,
        distinct(names),
        units,
        tuple(sample[: sample_rows(width)]),
        line_end,
        any('"' in line and _needs_quotes(line, separator) for line in lines[first:]),
    )


def table_format(
    kind: Kind, rows: Sequence[Sequence[str]], sheet: str, name: str, header_line: int | None
) -> LogFormat:
    """Find how this sheet is written from its first rows as text. Raises Refused."""
    split = [tuple(row) for row in rows]
    lines = ["".join(row) for row in split]
    decimal = _signs([";".join(row) for row in split], ";", None)[1]
    if header_line is None:
        first = _first_values(split, lines, None, decimal, name)
        heading, units = _above(split, lines, first)
    else:
        heading = header_line - 1
        if heading >= len(lines) or not lines[heading].strip():
            raise Refused("header_line", header_line, "there is nothing in that line.")
        units = _units_behind(split, heading)
        first = heading + (2 if units else 1)
    width = max((index + 1 for row in split for index, cell in enumerate(row) if cell), default=0)
    headings = split[heading][:width] if heading is not None else ("",) * width
    return LogFormat(
        kind,
        False,
        "",
        "",
        decimal,
        None,
        sheet,
        0 if heading is None else heading + 1,
        first + 1,
        distinct(headings),
        units[:width] if units else None,
        tuple(row[:width] for row in split[first : first + sample_rows(width)]),
    )


def sample_rows(width: int) -> int:
    """Return how many rows are a sample of a log of so many columns."""
    return max(100, min(SAMPLE_ROWS, SAMPLE_CELLS // max(1, width)))


def distinct(names: Sequence[str]) -> tuple[str, ...]:
    """Return headings of which none is empty and none is another's: “U1”, “U1 (2)”."""
    names_found: dict[str, None] = {}
    newest: dict[str, int] = {}
    for column, name in enumerate(names, 1):
        plain = mended(name).strip() or f"column {column}"
        number, heading = newest.get(plain, 1), plain
        while heading in names_found:
            number += 1
            heading = f"{plain} ({number})"
        newest[plain] = number
        names_found[heading] = None
    return tuple(names_found)


def _start(path: Path) -> tuple[bytes, bool, bool]:
    """The first bytes, whether they were packed, whether they are the whole file."""
    with path.open("rb") as file:
        is_packed = file.read(2) == b"\x1f\x8b"
    try:
        with gzip.open(path) if is_packed else path.open("rb") as file:
            start = file.read(LOOKED_AT + 1)
    except (OSError, EOFError, zlib.error):
        raise Refused(FIELD, path.name, "the packed file is damaged.", RIGHT) from None
    return start[:LOOKED_AT], is_packed, len(start) <= LOOKED_AT


def _decoded(start: bytes, name: str) -> tuple[str, str]:
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16-le" if start.startswith(b"\xff\xfe") else "utf-16-be"
    elif b"\x00" in start[:64]:
        encoding = "utf-16-le" if start[1:2] == b"\x00" else "utf-16-be"
    else:
        encoding = "utf-8" if _is_utf8(start) else "cp1252"
    text = start[: len(start) // 2 * 2 if encoding.startswith("utf-16") else None].decode(
        encoding, errors="replace"
    )
    strange = sum(1 for sign in text[:20_000] if ord(sign) < 32 and sign not in "\t\r\n\x1a\x0c")
    if strange or (b"\x00" in start and not encoding.startswith("utf-16")):
        raise Refused(FIELD, name, "this is no table of a kind that can be read.", RIGHT)
    return text, encoding


def _is_utf8(start: bytes) -> bool:
    for cut in range(4):  # the last sign may be cut in its middle
        try:
            start[: len(start) - cut].decode("utf-8")
        except UnicodeDecodeError:
            continue
        return True
    return False


def _split(line: str, separator: str) -> tuple[str, ...]:
    if '"' in line:
        return tuple(cell.strip() for cell in next(csv.reader([line], delimiter=separator), []))
    return tuple(cell.strip() for cell in line.split(separator))


def _needs_quotes(line: str, separator: str) -> bool:
    """Do quotation marks hold something together which the separator would part?"""
    bare = line.replace('"', "").split(separator)
    return line.count('"') % 2 == 0 and len(_split(line, separator)) != len(bare)


def is_number(text: str, decimal: str) -> bool:
    """Say whether this is a number with this decimal mark."""
    mark = re.escape(decimal)
    return (
        re.fullmatch(rf"[-+\u2212]?(?:\d+(?:{mark}\d*)?|{mark}\d+)(?:[eE][-+]?\d+)?", text)
        is not None
    )


def _is_value(text: str, decimal: str) -> bool:
    return is_number(text, decimal) or clock_in([text]) is not None or is_time_of_day([text])


def _signs(lines: Sequence[str], separator: str | None, decimal: str | None) -> tuple[str, str]:
    """Separator and decimal mark with which most cells are values, in the most columns."""
    filled = [line for line in lines if line.strip()]
    last = filled[-min(60, max(3, len(filled) // 2)) :]  # above it may stand many other lines
    best, best_score = (";", "."), (-1.0, 0)
    for sign in [separator] if separator else SEPARATORS:
        rows = [_split(line, sign) for line in last]
        width = Counter(len(row) for row in rows).most_common(1)[0][0]
        cells = [cell for row in rows if len(row) == width for cell in row]
        cells = [cell for cell in cells if cell.casefold() not in _EMPTY_WORDS]
        usual = sum(len(row) == width for row in rows) / len(rows)
        for mark in [decimal] if decimal else [".", ","]:
            if cells:
                values = sum(_is_value(cell, mark) for cell in cells) / len(cells)
                # With a sign that is in no line every line is one cell: 0.3 keeps that from winning
                # over columns some of which are words. Three digits, so that the wider split wins.
                score = (round(values * usual * (1.0 if width > 1 else 0.3), 3), width)
                if score > best_score:
                    best, best_score = (sign, mark), score
    return best


def _comment(lines: Sequence[str]) -> str | None:
    counts = Counter(sign for line in lines for sign in COMMENTS if line.lstrip().startswith(sign))
    return counts.most_common(1)[0][0] if counts else "#"


def _first_values(
    split: Sequence[Sequence[str]],
    lines: Sequence[str],
    comment: str | None,
    decimal: str,
    name: str,
) -> int:
    """The first line from which on rows hold values."""
    is_values = []
    for row, line in zip(split, lines, strict=True):
        is_comment = comment is not None and line.lstrip().startswith(comment)
        cells = [cell for cell in row if cell.casefold() not in _EMPTY_WORDS]
        values = sum(_is_value(cell, decimal) for cell in cells)
        # Three in ten: rows of results hold words too (state, remarks), headings few numbers.
        is_values.append(not is_comment and bool(cells) and values >= max(1, 0.3 * len(cells)))
    widths = [len(row) for row, ok in zip(split, is_values, strict=True) if ok]
    if not widths:
        raise Refused(FIELD, name, "no row of it holds a number or a time.", RIGHT)
    width = Counter(widths[-max(3, len(widths) // 2) :]).most_common(1)[0][0]
    if width > MOST_COLUMNS:
        raise Refused(FIELD, name, f"it has more than {MOST_COLUMNS} columns.", RIGHT)
    for index, ok in enumerate(is_values[:HEADING_WITHIN]):
        # Loggers leave cells off at the end of a row; a preamble is much narrower.
        if ok and len(split[index]) >= 0.8 * width:
            return index
    raise Refused(FIELD, name, f"there are no values in the first {HEADING_WITHIN} lines.", RIGHT)


def _above(
    split: Sequence[tuple[str, ...]], lines: Sequence[str], first: int
) -> tuple[int | None, tuple[str, ...] | None]:
    """The line of headings above the first values, and the row of units between, if there is."""
    filled = [index for index in range(first) if lines[index].strip()]
    width = len(split[first])
    wide = [index for index in filled if sum(map(bool, split[index])) >= max(1, 0.5 * width)]
    if not wide:
        return None, None
    last = wide[-1]
    if len(wide) > 1 and _are_units(split[last]):
        return wide[-2], split[last]
    return last, None


def _units_behind(split: Sequence[tuple[str, ...]], heading: int) -> tuple[str, ...] | None:
    if heading + 1 < len(split) and _are_units(split[heading + 1]):
        return split[heading + 1]
    return None


def _are_units(row: Sequence[str]) -> bool:
    """Does every filled cell hold a unit, and at least one a unit of something measured?"""
    bare = [parted(f"x ({cell.strip('[](){}#% ')})").unit for cell in row]
    is_unit = [measure_of(cell) is not None for cell in bare]
    plain = [cell.casefold() in _UNITLESS or len(cell) <= 8 for cell in bare]
    return sum(is_unit) >= max(1, 0.3 * sum(map(bool, bare))) and all(
        is_known or is_plain for is_known, is_plain in zip(is_unit, plain, strict=True)
    )


# The lines of a text log as UTF-8, in chunks cut at line ends: bounded memory, any size.
#
# A packed file is unpacked on the way; how much of it was read is told in bytes of the file itself.


CHUNK_BYTES = 16 * 1024 * 1024


LONGEST_LINE_BYTES = 4 * 1024 * 1024


UNPACKED_FREELY = 1024 * 1024 * 1024


MOST_TIMES_PACKED = 200
"""Logs pack to a tenth, dull ones to a fiftieth; what packs better keeps a server busy for days."""


@dataclass(slots=True)
class Lines:
    """Reads a text log once. ``bytes_read`` of ``total`` bytes of the file were read so far.

    ``cut_line`` is the last line where the file ends within it: its last number may be cut too.
    """

    path: Path
    written: LogFormat
    chunk_bytes: int = CHUNK_BYTES
    bytes_read: int = 0
    total: int = field(init=False)
    cut_line: bytes = b""

    def __post_init__(self) -> None:
        """Learn the size."""
        self.total = self.path.stat().st_size

    def chunks(self) -> Iterator[bytes]:
        """Return whole lines from the first line of values on.

        Raises Refused where it is damaged.
        """
        try:
            with ExitStack() as stack:
                raw = stack.enter_context(self.path.open("rb"))
                stream: BinaryIO = raw
                if self.written.is_packed:
                    stream = stack.enter_context(gzip.GzipFile(fileobj=raw))  # type: ignore[assignment]
                yield from self._whole_lines(raw, stream)
        except (EOFError, gzip.BadGzipFile, zlib.error):
            raise Refused(
                FIELD,
                self.path.name,
                "the packed file is damaged or ends too early.",
                "Packed anew from the log itself, it can be read.",
            ) from None

    def _whole_lines(self, raw: BinaryIO, stream: BinaryIO) -> Iterator[bytes]:
        skip = self.written.data_line - 1
        rest, unpacked = b"", 0
        for text in self._as_utf8(raw, stream):
            chunk = rest + text if rest else text
            if self.written.is_packed:
                unpacked += len(text)
                refuse_bomb(self.path, unpacked, self.bytes_read)
            while skip:
                line_end = chunk.find(b"\n")
                if line_end < 0:
                    break
                chunk, skip = chunk[line_end + 1 :], skip - 1
            end = 0 if skip else self._end_of_lines(chunk)
            rest = chunk[end:]
            if len(rest) > LONGEST_LINE_BYTES and end == 0:
                raise Refused(FIELD, self.path.name, "a line of it is far too long.", RIGHT)
            if end:
                yield chunk[:end]
        if rest.strip() and not skip:
            self.cut_line = b"" if rest.endswith(b"\n") else rest
            yield rest

    def _end_of_lines(self, chunk: bytes) -> int:
        """Where the last whole line ends, so that no quotation is cut."""
        end = chunk.rfind(b"\n") + 1
        if not self.written.is_quoted:
            return end
        begun = end
        while end and chunk.count(b'"', 0, end) % 2:
            end = chunk.rfind(b"\n", 0, end - 1) + 1
        return end or begun

    def _as_utf8(self, raw: BinaryIO, stream: BinaryIO) -> Iterator[bytes]:
        encoding = self.written.encoding
        decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
        is_wide = encoding.startswith("utf-16")
        is_first = True
        while chunk := stream.read(self.chunk_bytes):
            self.bytes_read = raw.tell()
            if is_wide or (encoding != "utf-8" and not chunk.isascii()):
                chunk = decoder.decode(chunk).encode()
            if is_first:
                chunk, is_first = chunk.removeprefix(codecs.BOM_UTF8), False
            if self.written.line_end == "\r":
                chunk = chunk.replace(b"\r", b"\n")
            yield chunk
        if is_wide and (last := decoder.decode(b"", final=True)):
            yield last.encode()
        self.bytes_read = self.total


def refuse_bomb(path: Path, unpacked: int, packed: int) -> None:
    """Refuse what unpacks to far more than any log does; both in bytes."""
    if unpacked > max(UNPACKED_FREELY, MOST_TIMES_PACKED * packed):
        raise Refused(
            FIELD,
            path.name,
            f"it unpacks to more than {MOST_TIMES_PACKED} times its size: no log does.",
            "The log not packed, or in several files.",
        )


def column_count(line: bytes, separator: str) -> int:
    """Count the cells of a line, quotations aside."""
    plain = b"".join(line.split(b'"')[::2])
    return plain.count(separator.encode()) + 1
