"""Whether everything still says what was signed: the hash of each record, each file on disk."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine, func, select

from service.platform.database import reading
from service.platform.files.photos import path_of
from service.platform.tables.attachments import Attachment
from service.records.queries.content import verify
from service.records.tables import RebuildRecord
from service.runs.files import run_files
from service.runs.tables import Run

AT_ONCE = 100


@dataclass(frozen=True, slots=True)
class WholeCheck:
    """What was looked at and what is wrong, in sentences."""

    records: int
    attachments: int
    runs: int
    wrong: tuple[str, ...]


def amount(engine: Engine) -> int:
    """How many records and files there are to look at."""
    with reading(engine) as session:
        records = session.scalar(
            select(func.count()).where(RebuildRecord.content_sha256.is_not(None))
        )
        files = session.scalar(select(func.count(Attachment.content_sha256.distinct())))
        runs = session.scalar(select(func.count(Run.id)))
    return (records or 0) + (files or 0) + (runs or 0)


def check_all(engine: Engine, folder: Path, done: Callable[[int], None]) -> WholeCheck:
    """Compute every hash anew and compare; ``done`` is told how many more were looked at."""
    wrong: list[str] = []
    with reading(engine) as session:
        ids = session.scalars(
            select(RebuildRecord.id)
            .where(RebuildRecord.content_sha256.is_not(None))
            .order_by(RebuildRecord.id)
        ).all()
        for start in range(0, len(ids), AT_ONCE):
            some = ids[start : start + AT_ONCE]
            found = verify(session, some)
            wrong += [
                f"record {record_id}: {one.why}"
                for record_id, one in sorted(found.items())
                if not one.holds
            ]
            done(len(some))
        files = session.execute(
            select(Attachment.content_sha256, func.min(Attachment.name))
            .group_by(Attachment.content_sha256)
            .order_by(func.min(Attachment.id))
        ).all()
        runs = session.execute(select(Run.content_sha256, Run.id, Run.name).order_by(Run.id)).all()
    for sha256, name in files:
        if _sha256(path_of(folder, sha256)) != sha256:
            wrong.append(f"attachment {name}: its file is not there or not what was attached.")
        done(1)
    for sha256, run_id, name in runs:
        if _sha256(run_files.path_of(folder, sha256)) != sha256:
            wrong.append(f"run {run_id}, {name}: its file is not there or not what was given.")
        done(1)
    return WholeCheck(len(ids), len(files), len(runs), tuple(wrong))


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return ""
