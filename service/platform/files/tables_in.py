"""Tables as laboratories have them: CSV of any sort and XLSX, read into rows with line numbers.

table = read_table(content, "meas.csv")      encoding, delimiter and header row are found
table.headers, table.rows                    cells are text, numbers or dates
suggest_mapping(table.headers, FIELDS)       which column is which field, by its heading
"""

import csv
import io
import re
import zipfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import lru_cache
from pathlib import Path
from typing import Any

from service.platform.errors import Refused

MEGABYTE = 1024 * 1024
MOST_MB = 20
MOST_UNPACKED_MB = 200
MOST_ROWS = 50_000
MOST_COLUMNS = 200
MOST_SIGNS = 2_000
HEADER_WITHIN = 40
"""Rows in which the heading row is looked for: above it may stand a title, an address, a logo."""
DELIMITERS = (";", "\t", ",", "|")
RIGHT = "A CSV or XLSX file with one heading row would be right."
XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
CSV_TYPE = "text/csv"

Cell = str | int | float | datetime | date | None


@dataclass(frozen=True, slots=True)
class Row:
    """One row with the number its file gives it, counted from 1."""

    line: int
    cells: tuple[Cell, ...]
    is_too_wide: bool = False
    """more cells are filled than there are headings"""


@dataclass(frozen=True, slots=True)
class Table:
    """A table read from a file; ``described`` says in words how it was understood."""

    headers: tuple[str, ...]
    header_line: int
    rows: tuple[Row, ...]
    described: str
    media_type: str


def read_table(
    content: bytes, name: str, *, headings: Sequence[Sequence[str]] = (), field: str = "file"
) -> Table:
    """Read a CSV or XLSX file, whatever its name says.

    ``headings`` are headings to be expected, by which the heading row is found beneath a preamble.
    Encoding (UTF-8, UTF-16, else Windows-1252) and delimiter (; tab , |) are found; a quoted cell
    may hold both and line ends. Rows that are empty are left out. Raises Refused, saying what would
    be right: empty, too large, too many rows, no table in it, damaged, another kind of file.
    """
    if not content.strip():
        raise Refused(field, name, "the file is empty.", RIGHT)
    if len(content) > MOST_MB * MEGABYTE:
        size = f"{len(content) / MEGABYTE:.0f}\u2009MB"
        raise Refused(field, name, f"it has {size}.", f"At most {MOST_MB}\u2009MB.")
    if content.startswith(b"PK\x03\x04"):
        lines, described = _xlsx(content, name, field), "XLSX"
        media_type = XLSX_TYPE
    else:
        text, encoding = _decoded(content, name, field)
        delimiter = _delimiter(text)
        lines = _csv(text, delimiter, name, field)
        word = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}[delimiter]
        described = f"CSV, {encoding}, cells separated by {word}"
        media_type = CSV_TYPE
    filled = [row for row in lines if any(cell not in {None, ""} for cell in row.cells)]
    if not filled:
        raise Refused(field, name, "there is no filled row in it.", RIGHT)
    header_index = _header_at(filled, headings)
    headers = _headers(filled[header_index])
    rows = tuple(_as_wide(row, len(headers)) for row in filled[header_index + 1 :])
    if not rows:
        raise Refused(field, name, "there is no row beneath the headings.", RIGHT)
    described += f", headings in line {filled[header_index].line}, {len(rows)} rows"
    return Table(headers, filled[header_index].line, rows, described, media_type)


def suggest_mapping(
    headers: Sequence[str], synonyms: Mapping[str, Sequence[str]]
) -> dict[str, int]:
    """Guess which column is which field by heading: first the same words, then words within.

    A column serves one field. Signs, case, units in brackets and accents do not count.
    """
    plain = [_plain(header) for header in headers]
    columns_of: dict[str, int] = {}
    for is_exact in (True, False):
        for name, words in synonyms.items():
            if name in columns_of:
                continue
            for word in (_plain(word) for word in words):
                column_index = next(
                    (
                        column
                        for column, header in enumerate(plain)
                        if column not in columns_of.values()
                        and (header == word if is_exact else _within(word, header))
                    ),
                    None,
                )
                if column_index is not None:
                    columns_of[name] = column_index
                    break
    return columns_of


def text_of(cell: Cell) -> str:
    """Return a cell as text: whole numbers without a decimal point, days after ISO 8601."""
    if cell is None:
        return ""
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime):
        return cell.isoformat(" ", "minutes") if cell.time() != time() else cell.date().isoformat()
    if isinstance(cell, date):
        return cell.isoformat()
    return str(cell).strip()


def _plain(header: str) -> str:
    text = re.sub(r"[\[(].*?[\])]", " ", header.casefold())
    for sign, plain in (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("ß", "ss"), ("№", "nr")):
        text = text.replace(sign, plain)
    return " ".join(re.findall(r"[a-z0-9]+", text))


def _within(word: str, header: str) -> bool:
    return len(word) > 3 and f" {word} " in f" {header} "


def _decoded(content: bytes, name: str, field: str) -> tuple[str, str]:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings: tuple[str, ...] = ("utf-16",)
    elif content[1:2] == b"\x00" or content[:1] == b"\x00":
        encodings = ("utf-16-le",) if content[1:2] == b"\x00" else ("utf-16-be",)
    else:
        encodings = ("utf-8-sig", "cp1252", "latin-1")
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        strange = sum(1 for sign in text if ord(sign) < 32 and sign not in "\t\r\n\x1d")
        if strange:
            raise Refused(field, name, "this is not a table but some other kind of file.", RIGHT)
        words = {"utf-8-sig": "UTF-8", "cp1252": "Windows-1252", "latin-1": "Latin-1"}
        whole = text.replace("\r\n", "\n").replace("\r", "\n").removeprefix("\ufeff")
        return whole, words.get(encoding, "UTF-16")
    raise Refused(field, name, "its characters cannot be read.", "Saved as UTF-8, it can be.")


def _delimiter(text: str) -> str:
    """The sign that parts most lines into the same number of cells, more than one."""
    sample = text[:200_000]
    best, score = ",", 0.0
    for delimiter in DELIMITERS:
        try:
            widths = [len(row) for row in csv.reader(io.StringIO(sample), delimiter=delimiter)]
        except csv.Error:
            continue
        several = Counter(width for width in widths if width > 1)
        if several:
            width, lines = several.most_common(1)[0]
            weight = lines * (width - 1) ** 0.5
            if weight > score:
                best, score = delimiter, weight
    return best


def _csv(text: str, delimiter: str, name: str, field: str) -> list[Row]:
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    rows: list[Row] = []
    line = 1
    try:
        for cells in reader:
            if any(len(cell) > MOST_SIGNS for cell in cells):
                raise Refused(
                    field,
                    name,
                    f"a cell of line {line} has more than {MOST_SIGNS} characters.",
                    "A quotation mark that is not closed is the usual cause.",
                )
            rows.append(Row(line, tuple(cell.strip() for cell in cells)))
            _refuse_large(len(rows), len(cells), name, field)
            line = reader.line_num + 1
    except csv.Error as trouble:
        raise Refused(field, name, f"line {line} cannot be read ({trouble}).", RIGHT) from None
    return rows


def _xlsx(content: bytes, name: str, field: str) -> list[Row]:
    import openpyxl  # heavy, and only needed here

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(item.file_size for item in archive.infolist())
        book = (
            openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
            if unpacked <= MOST_UNPACKED_MB * MEGABYTE
            else None
        )
    except Exception as trouble:  # noqa: BLE001 - whatever a damaged archive makes the reader raise
        raise Refused(
            field, name, f"it cannot be read as XLSX ({type(trouble).__name__}).", RIGHT
        ) from None
    if book is None:
        right = f"At most {MOST_UNPACKED_MB}\u2009MB unpacked would be right."
        raise Refused(field, name, "it holds far more than its size says.", right)
    try:
        return _first_filled_sheet(book, name, field)
    finally:
        book.close()


def _first_filled_sheet(book: Any, name: str, field: str) -> list[Row]:
    for sheet in book.worksheets:
        sheet.reset_dimensions()
        rows: list[Row] = []
        try:
            for line, cells in enumerate(sheet.iter_rows(), 1):
                row = Row(line, tuple(_xlsx_cells(cells)))
                if any(cell not in {None, ""} for cell in row.cells):
                    rows.append(row)
                _refuse_large(len(rows), len(row.cells), name, field)
        except Refused:
            raise
        except Exception as trouble:  # noqa: BLE001 - as above
            raise Refused(
                field, name, f"a sheet in it cannot be read ({type(trouble).__name__}).", RIGHT
            ) from None
        if rows:
            return rows
    return []


def _xlsx_cells(cells: Sequence[Any]) -> Iterator[Cell]:
    for cell in cells:
        value = cell.value
        if isinstance(value, bool):
            yield "yes" if value else "no"
        elif isinstance(value, int | float):
            zeros = re.fullmatch(r"0+", str(cell.number_format or ""))
            whole = float(value).is_integer()
            yield (
                f"{int(value):0{len(zeros[0])}d}"
                if zeros and whole and len(zeros[0]) > 1
                else value
            )
        elif isinstance(value, datetime | date) or value is None:
            yield value
        else:
            yield str(value).strip()


def _refuse_large(rows: int, columns: int, name: str, field: str) -> None:
    if rows > MOST_ROWS + HEADER_WITHIN:
        raise Refused(field, name, f"it has more than {MOST_ROWS} rows.", "Split it.")
    if columns > MOST_COLUMNS:
        raise Refused(field, name, f"it has more than {MOST_COLUMNS} columns.", RIGHT)


def _header_at(rows: Sequence[Row], headings: Sequence[Sequence[str]]) -> int:
    """The heading row: the one with most known headings, else the first one filled widely."""
    words = {_plain(word) for synonyms in headings for word in synonyms}
    scores = [
        sum(_plain(text_of(cell)) in words for cell in row.cells if cell not in {None, ""})
        for row in rows[:HEADER_WITHIN]
    ]
    if words and max(scores) > 0:
        return scores.index(max(scores))
    widths = [sum(cell not in {None, ""} for cell in row.cells) for row in rows[:HEADER_WITHIN]]
    usual = Counter(widths).most_common(1)[0][0]
    return next(index for index, width in enumerate(widths) if width >= min(usual, max(widths)))


def _headers(row: Row) -> tuple[str, ...]:
    cells = list(row.cells)
    while cells and cells[-1] in {None, ""}:
        cells.pop()
    return tuple(text_of(cell) or f"column {number}" for number, cell in enumerate(cells, 1))


def _as_wide(row: Row, width: int) -> Row:
    cells = row.cells[:width]
    too_wide = any(cell not in {None, ""} for cell in row.cells[width:])
    return Row(row.line, cells + (None,) * (width - len(cells)), too_wide)


# How far the sheets of an XLSX file reach, before anything lays them out in memory.
#
# Two cells in opposite corners take a few hundred bytes in the file and hundreds of gigabytes in a
# reader that keeps the rectangle between them. Common practice, no source.


PIECE = 1024 * 1024


LONGEST_PLACE = 64


_PLACE = re.compile(rb"""\br\s*=\s*["']([A-Za-z]{0,7})(\d{1,19})["']""")


_ROW = re.compile(rb"<(?:\w+:)?row\b")


@dataclass(frozen=True, slots=True)
class Extent:
    """What is unpacked, bytes; the farthest row and column any sheet names, from 1."""

    unpacked_bytes: int = 0
    rows: int = 0
    columns: int = 0

    @property
    def cells(self) -> int:
        """Cells of the rectangle to the farthest ones."""
        return self.rows * self.columns


def extent_of(path: Path, most_bytes: int) -> Extent:
    """Say how far a file reaches; not looked at where it unpacks to more than ``most_bytes``.

    Raises BadZipFile, OSError, zlib.error or ValueError where it is no whole XLSX file.
    """
    about = path.stat()
    return _extent(path, most_bytes, about.st_size, about.st_mtime_ns)


@lru_cache(maxsize=64)
def _extent(path: Path, most_bytes: int, _size: int, _changed: int) -> Extent:
    unpacked = rows = columns = 0
    with zipfile.ZipFile(path) as archive:
        declared = sum(item.file_size for item in archive.infolist())
        if declared > most_bytes:
            return Extent(declared)  # less than there is cannot be declared: the check sum tells
        names = {name.lower() for name in archive.namelist()}
        if "xl/workbook.xml" not in names or names & {"xl/workbook.bin", "content.xml"}:
            raise ValueError("no XLSX")
        for item in archive.infolist():
            with archive.open(item) as part:
                tail, in_row, row_count = b"", 0, 0
                while piece := part.read(PIECE):
                    unpacked += len(piece)
                    text = piece.replace(b"\x00", b"")  # UTF-16 reads as its plain signs
                    cell_names = set(_PLACE.findall(tail + text))
                    tail = text[-LONGEST_PLACE:]
                    begun, *begin = _ROW.split(text)
                    in_row += _cells(begun)
                    row_count += len(begin)
                    fullest = max([in_row, *map(_cells, begin)])
                    in_row = _cells(begin[-1]) if begin else in_row
                    rows = max(rows, row_count, *(int(row) for _, row in cell_names))
                    columns = max(columns, fullest, *(_number(column) for column, _ in cell_names))
    return Extent(unpacked, rows, columns)


def _cells(text: bytes) -> int:
    """Cells of a row, named or not; a little more where other tags begin alike."""
    return text.count(b"<c") + text.count(b":c")


def _number(letters: bytes) -> int:
    """The number of a column from its letters.

    >>> _number(b"A"), _number(b"XFD")
    (1, 16384)
    """
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number
