"""The lines of a text log as UTF-8, in chunks cut at line ends: bounded memory, any size.

A packed file is unpacked on the way; how much of it was read is told in bytes of the file itself.
"""

import codecs
import gzip
import zlib
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from service.platform.errors import Refused
from service.runs.files.logs_format import FIELD, RIGHT, LogFormat

CHUNK_BYTES = 16 * 1024 * 1024
LONGEST_LINE_BYTES = 4 * 1024 * 1024
UNPACKED_FREELY = 1024 * 1024 * 1024
MOST_TIMES_PACKED = 200
"""Logs pack to a tenth, dull ones to a fiftieth; what packs better keeps a server busy for days."""


@dataclass(slots=True)
class Lines:
    """Reads a text log once. ``done`` of ``total`` bytes of the file were read so far.

    ``cut_line`` is the last line where the file ends within it: its last number may be cut too.
    """

    path: Path
    written: LogFormat
    chunk_bytes: int = CHUNK_BYTES
    done: int = 0
    total: int = field(init=False)
    cut_line: bytes = b""

    def __post_init__(self) -> None:
        """Learn the size."""
        self.total = self.path.stat().st_size

    def chunks(self) -> Iterator[bytes]:
        """Whole lines from the first line of values on. Raises Refused where it is damaged."""
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
                refuse_bomb(self.path, unpacked, self.done)
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
            self.done = raw.tell()
            if is_wide or (encoding != "utf-8" and not chunk.isascii()):
                chunk = decoder.decode(chunk).encode()
            if is_first:
                chunk, is_first = chunk.removeprefix(codecs.BOM_UTF8), False
            if self.written.line_end == "\r":
                chunk = chunk.replace(b"\r", b"\n")
            yield chunk
        if is_wide and (last := decoder.decode(b"", final=True)):
            yield last.encode()
        self.done = self.total


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
    """How many cells has a line, quotations aside?"""
    plain = b"".join(line.split(b'"')[::2])
    return plain.count(separator.encode()) + 1
