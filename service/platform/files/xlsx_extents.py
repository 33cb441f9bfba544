"""How far the sheets of an XLSX file reach, before anything lays them out in memory.

Two cells in opposite corners take a few hundred bytes in the file and hundreds of gigabytes in a
reader that keeps the rectangle between them. Common practice, no source.
"""

import re
import zipfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

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
    """How far a file reaches; not looked at where it unpacks to more than ``most_bytes``.

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
                    named = set(_PLACE.findall(tail + text))
                    tail = text[-LONGEST_PLACE:]
                    begun, *begin = _ROW.split(text)
                    in_row += _cells(begun)
                    row_count += len(begin)
                    fullest = max([in_row, *map(_cells, begin)])
                    in_row = _cells(begin[-1]) if begin else in_row
                    rows = max(rows, row_count, *(int(row) for _, row in named))
                    columns = max(columns, fullest, *(_number(column) for column, _ in named))
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
