"""Raw files of runs on disk: received in pieces, kept under the hash of their content.

    run-uploads/TOKEN           a file on its way in
    runs/ab/abcd…               a file that became a run, as it was given

Nothing here holds a file in memory, whatever its size.
"""

import hashlib
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from service.condition.arithmetic.rests import Rest, RestFinder
from service.platform.arithmetic.errors import TradeError
from service.platform.changes import Stored
from service.platform.errors import NotFound, Refused
from service.runs.arithmetic.log_columns import Mapping
from service.runs.files.logs import RunLog

MEGABYTE = 1024 * 1024
PIECE = 1024 * 1024
TOKEN = re.compile(r"[A-Za-z0-9_-]{32}")
ANY = "application/octet-stream"


def path_of(folder: Path, sha256: str) -> Path:
    """Say where the file of a run lies: runs/ab/abcd… in the data folder."""
    return folder / "runs" / sha256[:2] / sha256


def upload_path(folder: Path, token: str) -> Path:
    """Say where a file on its way in lies. Raises NotFound for what is no token."""
    if not TOKEN.fullmatch(token):
        raise NotFound("uploaded log", token[:8])
    return folder / "run-uploads" / token


def new_token() -> str:
    """Return a name nobody can guess."""
    return secrets.token_urlsafe(24)


@dataclass(frozen=True, slots=True)
class Received:
    """A file that was received whole."""

    token: str
    name: str
    size_bytes: int
    content_sha256: str


@dataclass(slots=True)
class Receiver:
    """Takes a file piece by piece: ``write`` each, then ``finish``; ``drop`` what failed.

    Raises Refused once it is larger than ``most_mb``, or where nothing came.
    """

    folder: Path
    name: str
    most_mb: int
    field_name: str = "log"
    token: str = field(default_factory=new_token)
    _size: int = 0
    _digest: Any = field(default_factory=hashlib.sha256)
    _file: IO[bytes] | None = None

    def write(self, piece: bytes) -> None:
        """Take the next bytes."""
        if self._file is None:
            place = upload_path(self.folder, self.token)
            place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._file = place.open("xb")
        self._size += len(piece)
        if self._size > self.most_mb * MEGABYTE:
            right = f"At most {self.most_mb}\u2009MB; packed as .csv.gz or as Parquet it is less."
            raise Refused(self.field_name, self.name, "it is too large.", right)
        self._digest.update(piece)
        self._file.write(piece)

    def finish(self) -> Received:
        """Close the file; it is on the disk."""
        if self._file is None or not self._size:
            raise Refused(self.field_name, self.name, "the file is empty.", "The log of a bench.")
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        return Received(self.token, self.name[-200:], self._size, self._digest.hexdigest())

    def drop(self) -> None:
        """Forget what came."""
        if self._file is not None:
            self._file.close()
            upload_path(self.folder, self.token).unlink(missing_ok=True)


@contextmanager
def receiving(folder: Path, name: str, most_mb: int) -> Iterator[Receiver]:
    """Return a receiver whose pieces are dropped where anything goes wrong."""
    printed = "".join(sign for sign in name if sign.isprintable())
    name = Path(printed.replace("\\", "/")).name or "without a name"
    receiver = Receiver(folder, name, most_mb)
    try:
        yield receiver
    except BaseException:
        receiver.drop()
        raise


def receive(folder: Path, source: IO[bytes], name: str, most_mb: int) -> Received:
    """Receive an open file whole. Raises Refused as `Receiver` does."""
    with receiving(folder, name, most_mb) as receiver:
        while piece := source.read(PIECE):
            receiver.write(piece)
        return receiver.finish()


def forget_upload(folder: Path, token: str) -> None:
    """Forget a file that became a run, or nothing."""
    upload_path(folder, token).unlink(missing_ok=True)


def keep(folder: Path, path: Path, name: str) -> Stored:
    """Keep a copy of a file under its hash, safe against a power cut, before any row names it."""
    with path.open("rb") as source:
        sha256 = hashlib.file_digest(source, "sha256").hexdigest()
        size = source.tell()
        source.seek(0)
        put(folder, sha256, lambda target: shutil.copyfileobj(source, target, PIECE))
    return Stored(sha256, ANY, size, name)


def keep_upload(folder: Path, received: Received) -> Stored:
    """Keep a received file under its hash; it stays where it was until it is forgotten."""
    place = path_of(folder, received.content_sha256)
    if not place.is_file():
        source = upload_path(folder, received.token)
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        try:
            os.link(source, place)  # the same bytes under two names, on the disk already
            _settle(place.parent)
        except FileExistsError:
            pass  # the very same content came a moment ago
        except OSError:  # a disk that knows no second names
            return keep(folder, source, received.name)
    return Stored(received.content_sha256, ANY, received.size_bytes, received.name)


def put(folder: Path, sha256: str, write: Callable[[IO[bytes]], object]) -> None:
    """Put content in its place by ``write``; the name never stands for half a file."""
    place = path_of(folder, sha256)
    if place.is_file():
        return
    place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    handle, beside = tempfile.mkstemp(dir=place.parent, prefix=".being-written-")
    try:
        with os.fdopen(handle, "wb") as target:
            write(target)
            target.flush()
            os.fsync(target.fileno())
        Path(beside).replace(place)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    _settle(place.parent)


def _settle(folder: Path) -> None:
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


# The times without load in a run's raw file, read again from disk.


MOST_MB = 200
"""What is looked through while a page waits."""


def read_rests(
    path: Path, mapping: Mapping, zone: str, area_cm2: float, threshold_v: float
) -> tuple[tuple[Rest, ...], bool]:
    """Return the rests in a file, and whether there were too many rows to keep them all.

    Raises Refused for a file too large, and one without current or time.
    """
    size_mb = path.stat().st_size / 2**20
    if size_mb > MOST_MB:
        raise Refused(
            "file",
            f"{size_mb:.0f}\u2009MB",
            "it is too large to be looked through while a page waits.",
            "The open-circuit voltages found at import stand on the stack's condition.",
        )
    finder = RestFinder(
        tuple(cell.channel for cell in mapping.cells), area_cm2, mapping.counting.idle_a_cm2
    )
    try:
        for batch in RunLog(path, mapping, zone).batches():
            finder.feed(batch)
        return finder.rests(threshold_v), finder.is_full
    except TradeError as trouble:
        raise Refused("file", "", str(trouble), "A log with time and current.") from trouble
