"""Logs on their way in: what was sent, how far each is read, and why it was refused."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.runs.tables import RunUpload, UploadState
from service.stacks.tables.stacks import Stack


@dataclass(frozen=True, slots=True)
class UploadRow:
    """A file on its way in; ``done`` is the share read, 0 to 1."""

    token: str
    stack_id: int
    stack: str
    name: str
    size_bytes: int
    content_sha256: str
    asked: str
    state: UploadState
    done: float
    message: str
    run_id: int | None
    by_id: int
    by: str
    made_at: datetime
    changed_at: datetime


def upload(session: Session, token: str) -> UploadRow:
    """A file on its way in. Raises NotFound: it is forgotten after a week."""
    row = session.execute(_uploads().where(RunUpload.token == token)).first()
    if row is None:
        raise NotFound("uploaded log (it is kept for a week; send it again)", token[:8])
    return read_as(UploadRow, row)


def uploads_of_stack(session: Session, stack_id: int) -> tuple[UploadRow, ...]:
    """Files on their way in for a stack that have not become runs, the newest first."""
    rows = session.execute(
        _uploads()
        .where(RunUpload.stack_id == stack_id, RunUpload.state != UploadState.DONE)
        .order_by(RunUpload.id.desc())
        .limit(20)
    )
    return read_all(UploadRow, rows)


def _uploads() -> Any:
    return (
        select(*columns(UploadRow, RunUpload, stack=Stack.serial, by=Person.name))
        .join(Stack, Stack.id == RunUpload.stack_id)
        .join(Person, Person.id == RunUpload.by_id)
    )
