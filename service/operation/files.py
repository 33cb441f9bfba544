"""Backups: all rows, attachments and runs' files in one archive, with the hash of everything in it.

A gzipped tar, the same from SQLite and PostgreSQL and fit for either:

    attachments/HASH            each file as it was given
    runs/HASH                   each log of a test bench, as it was given
    tables/NAME.jsonl           a line of column names, then a line for each row
    manifest.json               last: what is in it, how many rows, the SHA-256 of each member

Needs no program but this one.
"""

import gzip
import hashlib
import json
import os
import re
import tarfile
import tempfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session
from sqlalchemy.schema import Table

from service.operation.changes import TableRows, restore_rows
from service.operation.migrating import revision_of
from service.operation.queries import count_rows, kept_tables, read_back, rows_of
from service.operation.tables import metadata
from service.platform.arithmetic.canonical import sha256_of
from service.platform.database import reading
from service.platform.errors import NotFound, Refused
from service.platform.files.photos import Checked, path_of, store
from service.platform.tables import Attachment
from service.proof.tables import PressureTrace
from service.records.queries.content import verify
from service.records.tables import RebuildRecord
from service.runs.files import run_files
from service.runs.tables import Run

FORM = "layerbook backup 1"
MANIFEST = "manifest.json"
MEGABYTE = 1024 * 1024
PIECE = 1024 * 1024
MOST_OF_A_LINE = 256 * MEGABYTE
HASH = re.compile(r"[0-9a-f]{64}")
MEMBERS = {
    "attachments": (HASH, 1_000 * MEGABYTE),
    "runs": (HASH, 100_000 * MEGABYTE),
    "tables": (re.compile(r"[a-z_]+\.jsonl"), 100_000 * MEGABYTE),
    "": (re.compile(re.escape(MANIFEST)), 256 * MEGABYTE),
}
"""What an archive may hold, by folder: names in full, and the most bytes of each.

Attachments and runs can be no larger than the largest limits a server can be set to.
"""
Done = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Manifest:
    """What an archive says of itself."""

    revision: str
    made_at: str
    rows: dict[str, int]
    sha256: dict[str, str]

    @property
    def size(self) -> int:
        """Rows and attachments together, for a progress bar."""
        return sum(self.rows.values()) + len(self.sha256) - len(self.rows)


def size_of(engine: Engine) -> int:
    """Count the rows and files a backup would hold."""
    with reading(engine) as session:
        return sum(count_rows(session).values()) + sum(map(len, _hashes(session).values()))


def make_backup(
    engine: Engine, folder: Path, target: Path, now: datetime, progress: Done
) -> Manifest:
    """Write everything as of one moment into a new archive; the server may go on meanwhile.

    The archive appears under its name when it is whole and on the disk. Raises Refused where the
    file exists, NotFound for an attachment whose file is gone.
    """
    if target.exists():
        raise Refused("file", str(target), "it exists already.", "Name a new one.")
    revision = str(revision_of(engine))
    handle, unfinished = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            with (
                gzip.GzipFile(fileobj=file, mode="wb", compresslevel=4, mtime=0) as zipped,
                tarfile.open(fileobj=zipped, mode="w", format=tarfile.PAX_FORMAT) as archive,
                reading(engine) as session,
            ):
                written = _Archive(archive)
                for kind, hashes in _hashes(session).items():
                    for sha256 in hashes:
                        file_of = _open(folder, kind, sha256)
                        written.add_file(f"{kind}/{sha256}", file_of, sha256)
                        progress(1)
                for table in kept_tables():
                    written.add_table(session, table, progress)
                manifest = Manifest(revision, now.isoformat(), written.rows, written.sha256)
                written.add_manifest(manifest)
            file.flush()
            os.fsync(file.fileno())
        os.link(unfinished, target)  # never over a file that came into being meanwhile
    finally:
        Path(unfinished).unlink()
    return manifest


def read_manifest(source: Path, progress: Done) -> Manifest:
    """Read an archive whole and compare every hash; raises Refused where anything differs.

    ``progress`` is told how many bytes of the archive more were read.
    """
    digests: dict[str, str] = {}
    manifest: Manifest | None = None
    with _readable(source):
        for kind, member, file in _members(source, progress):
            name = f"{kind}/{member}" if kind else member
            if name in digests or (manifest and not kind):
                raise Refused("file", str(source), f"{name} is in it twice.")
            if not kind:
                manifest = _manifest(source, file.read())
                continue
            digests[name] = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
            if MEMBERS[kind][0] is HASH and digests[name] != member:
                raise _damaged(source, name)
    if manifest is None:
        raise Refused("file", str(source), "it is not whole: its manifest is not there.")
    for name in sorted(manifest.sha256.keys() | digests.keys()):
        if manifest.sha256.get(name) != digests.get(name):
            raise _damaged(source, name)
    return manifest


def restore_backup(
    source: Path, manifest: Manifest, url: str, folder: Path, progress: Done
) -> None:
    """Bring a checked archive into an empty database and the attachments' folder."""

    def tables() -> Iterator[TableRows]:
        for kind, member, file in _members(source, lambda _bytes: None):
            if kind == "attachments":
                content = file.read()
                if hashlib.sha256(content).hexdigest() != member:
                    raise _damaged(source, f"{kind}/{member}")
                store(folder, Checked(content, "", member))
                progress(1)
            elif kind == "runs":
                run_files.put(folder, member, _copying(source, member, file))
                progress(1)
            elif kind == "tables":
                yield _table(source, member.removesuffix(".jsonl"), file, progress)

    restore_rows(url, manifest.revision, tables())


class _Archive:
    """Adds members and keeps count of them."""

    def __init__(self, archive: tarfile.TarFile) -> None:
        self.archive = archive
        self.rows: dict[str, int] = {}
        self.sha256: dict[str, str] = {}

    def add_file(self, name: str, file: IO[bytes], sha256: str) -> None:
        with file:
            self._add(name, file, os.fstat(file.fileno()).st_size)
        self.sha256[name] = sha256

    def add_table(self, session: Session, table: Table, progress: Done) -> None:
        name, digest, count = f"tables/{table.name}.jsonl", hashlib.sha256(), 0
        with tempfile.TemporaryFile() as file:
            for line in _lines(session, table):
                digest.update(line)
                file.write(line)
                count += 1
                if count % 1000 == 0:
                    progress(1000)
            progress((count - 1) % 1000)
            size = file.tell()
            file.seek(0)
            self._add(name, file, size)
        self.rows[table.name], self.sha256[name] = count - 1, digest.hexdigest()

    def add_manifest(self, manifest: Manifest) -> None:
        text = json.dumps(
            {
                "form": FORM,
                "revision": manifest.revision,
                "made_at": manifest.made_at,
                "rows": manifest.rows,
                "sha256": manifest.sha256,
            },
            indent=1,
        ).encode()
        self._add(MANIFEST, BytesIO(text), len(text))

    def _add(self, name: str, file: IO[bytes], size: int) -> None:
        member = tarfile.TarInfo(name)
        member.size, member.mode = size, 0o600
        self.archive.addfile(member, file)


def _hashes(session: Session) -> dict[str, list[str]]:
    """The files there are, by the folder they lie in."""
    columns_of = {"attachments": Attachment.content_sha256, "runs": Run.content_sha256}
    return {
        kind: list(session.scalars(select(column).distinct().order_by(column)))
        for kind, column in columns_of.items()
    }


def _open(folder: Path, kind: str, sha256: str) -> IO[bytes]:
    place = run_files.path_of if kind == "runs" else path_of
    try:
        return place(folder, sha256).open("rb")
    except FileNotFoundError:
        subject = "file of the run" if kind == "runs" else "file of the attachment"
        raise NotFound(subject, sha256) from None


def _lines(session: Session, table: Table) -> Iterator[bytes]:
    yield _line([column.name for column in table.columns])
    for row in rows_of(session, table):
        yield _line(row)


def _line(values: list[Any]) -> bytes:
    return json.dumps(values, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


@contextmanager
def _readable(source: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        raise NotFound("file", source) from None
    except (tarfile.TarError, zlib.error, EOFError, OSError) as trouble:
        raise Refused(
            "file", str(source), f"it cannot be read as a backup ({trouble}).", "Use another copy."
        ) from trouble


def _damaged(source: Path, name: str) -> Refused:
    return Refused("file", str(source), f"it is damaged: {name} is not what was saved.")


def _copying(source: Path, name: str, file: IO[bytes]) -> Callable[[IO[bytes]], None]:
    """Copy a run's file; what is not the content its name says never gets that name."""

    def copy(target: IO[bytes]) -> None:
        digest = hashlib.sha256()
        while piece := file.read(PIECE):
            digest.update(piece)
            target.write(piece)
        if digest.hexdigest() != name:
            raise _damaged(source, f"runs/{name}")

    return copy


def _members(source: Path, progress: Done) -> Iterator[tuple[str, str, IO[bytes]]]:
    """The folder, name and content of each member; nothing else than `MEMBERS` passes."""
    with source.open("rb") as whole, tarfile.open(fileobj=whole, mode="r|gz") as archive:
        read = 0
        for member in archive:
            kind, _slash, name = member.name.rpartition("/")
            names, most = MEMBERS.get(kind, (None, 0))
            file = archive.extractfile(member) if member.isreg() else None
            if names is None or not names.fullmatch(name) or file is None:
                raise Refused("file", str(source), f"“{member.name}” in it is no part of a backup.")
            if member.size > most:
                reason = f"{member.name} in it is larger than any such file can be."
                raise Refused("file", str(source), reason)
            yield kind, name, file
            progress(whole.tell() - read)
            read = whole.tell()


def _manifest(source: Path, text: bytes) -> Manifest:
    try:
        data = json.loads(text)
        form = data["form"]
        manifest = Manifest(
            data["revision"], data["made_at"], dict(data["rows"]), dict(data["sha256"])
        )
    except (ValueError, KeyError, TypeError) as trouble:
        raise Refused("file", str(source), f"it is no backup of ours ({trouble}).") from trouble
    if form != FORM:
        raise Refused("file", str(source), f"it is a “{form}”, not a “{FORM}”.")
    return manifest


def _table(source: Path, name: str, file: IO[bytes], progress: Done) -> TableRows:
    lines = _lines_of(source, name, file)
    columns: list[str] = json.loads(next(lines, b"[]"))
    if name not in metadata.tables or not set(columns) <= set(metadata.tables[name].c.keys()):
        raise Refused("file", str(source), f"it holds a table “{name}” this program has not.")
    back = read_back(metadata.tables[name], columns)

    def rows() -> Iterator[list[Any]]:
        number = 0
        for number, line in enumerate(lines, 1):
            yield back(json.loads(line))
            if number % 1000 == 0:
                progress(1000)
        progress(number % 1000)

    return name, columns, rows()


def _lines_of(source: Path, name: str, file: IO[bytes]) -> Iterator[bytes]:
    while line := file.readline(MOST_OF_A_LINE):
        if len(line) == MOST_OF_A_LINE:
            raise Refused("file", str(source), f"a line of its table “{name}” has no end.")
        yield line


# Whether everything still says what was signed: the hash of each record, each file on disk.


AT_ONCE = 100


@dataclass(frozen=True, slots=True)
class WholeCheck:
    """What was looked at and what is wrong, in sentences."""

    records: int
    attachments: int
    runs: int
    wrong: tuple[str, ...]


def amount(engine: Engine) -> int:
    """Say how many records and files there are to look at."""
    with reading(engine) as session:
        records = session.scalar(
            select(func.count()).where(RebuildRecord.content_sha256.is_not(None))
        )
        files = session.scalar(select(func.count(Attachment.content_sha256.distinct())))
        runs = session.scalar(select(func.count(Run.id)))
    return (records or 0) + (files or 0) + (runs or 0)


def check_all(engine: Engine, folder: Path, progress: Callable[[int], None]) -> WholeCheck:
    """Compute every hash anew and compare; ``progress`` is told how many more were looked at."""
    wrong: list[str] = []
    with reading(engine) as session:
        ids = session.scalars(
            select(RebuildRecord.id)
            .where(RebuildRecord.content_sha256.is_not(None))
            .order_by(RebuildRecord.id)
        ).all()
        for start in range(0, len(ids), AT_ONCE):
            some = ids[start : start + AT_ONCE]
            checks = verify(session, some)
            wrong += [
                f"record {record_id}: {check.why}"
                for record_id, check in sorted(checks.items())
                if not check.holds
            ]
            progress(len(some))
        files = session.execute(
            select(Attachment.content_sha256, func.min(Attachment.name))
            .group_by(Attachment.content_sha256)
            .order_by(func.min(Attachment.id))
        ).all()
        runs = session.execute(select(Run.content_sha256, Run.id, Run.name).order_by(Run.id)).all()
        wrong += [
            f"trace {sha256[:12]} of a leak test: it is not what was sent."
            for sha256, content in session.execute(
                select(PressureTrace.content_sha256, PressureTrace.content)
            )
            if sha256_of(content) != sha256
        ]
    for sha256, name in files:
        if _sha256(path_of(folder, sha256)) != sha256:
            wrong.append(f"attachment {name}: its file is not there or not what was attached.")
        progress(1)
    for sha256, run_id, name in runs:
        if _sha256(run_files.path_of(folder, sha256)) != sha256:
            wrong.append(f"run {run_id}, {name}: its file is not there or not what was given.")
        progress(1)
    return WholeCheck(len(ids), len(files), len(runs), tuple(wrong))


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return ""
