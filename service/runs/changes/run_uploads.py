"""Files on their way in: how far each has come. Progress, no fact: outside the trail.

A file is sent, looked at, read in the background, and becomes a run or is refused. All processes
see the same rows, so any of them may answer how far a reading is.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from service.platform.errors import NotFound, Refused
from service.runs.tables import RunUpload, UploadState
from service.stacks.tables import Stack

ABANDONED_AFTER = timedelta(seconds=90)
"""A reading says how far it is each second: silent for so long, its process is gone."""
FORGOTTEN_AFTER = timedelta(days=7)
MESSAGE_MOST = 4000


@dataclass(frozen=True, slots=True)
class Sent:
    """A file as it was sent."""

    token: str
    name: str
    size_bytes: int
    content_sha256: str


def begin_upload(
    session: Session,
    stack_id: int,
    sent_file: Sent,
    *,
    by_id: int,
    instructions: str,
    now: datetime,
) -> None:
    """Note a file that was sent, to be looked at."""
    session.add(
        RunUpload(
            stack_id=stack_id,
            token=sent_file.token,
            name=sent_file.name[-200:],
            size_bytes=sent_file.size_bytes,
            content_sha256=sent_file.content_sha256,
            asked=instructions,
            state=UploadState.WAITING,
            by_id=by_id,
            made_at=now,
            changed_at=now,
        )
    )
    session.flush()


def ask_reading(
    session: Session,
    token: str,
    *,
    instructions: str,
    by_id: int,
    now: datetime,
    stack_id: int | None = None,
) -> None:
    """Set a file to be read, for another stack if one is named.

    Raises Refused where it is being read or is read; NotFound.
    """
    row = session.scalars(
        select(RunUpload).where(RunUpload.token == token).with_for_update()
    ).first()
    if row is None:
        raise NotFound("uploaded log", token[:8])
    is_alive = now - row.changed_at <= ABANDONED_AFTER
    if row.state is UploadState.DONE or (row.state is UploadState.READING and is_alive):
        raise Refused("log", row.name, f"it is {row.state.value}.", "Wait for it.")
    row.state, row.done, row.message, row.asked = UploadState.READING, 0.0, "", instructions
    row.by_id, row.changed_at = by_id, now
    row.stack_id = row.stack_id if stack_id is None else stack_id
    session.flush()


def note_progress(session: Session, token: str, share: float, message: str, now: datetime) -> None:
    """Note how far a reading is, 0 to 1."""
    session.execute(
        update(RunUpload)
        .where(RunUpload.token == token)
        .values(done=min(max(share, 0.0), 1.0), message=message, changed_at=now)
    )


def end_upload(
    session: Session, token: str, *, run_id: int | None = None, refused: str = "", now: datetime
) -> None:
    """Note that a file became a run, or why it did not; what became a run stays so."""
    state = UploadState.DONE if run_id is not None else UploadState.REFUSED
    session.execute(
        update(RunUpload)
        .where(RunUpload.token == token, RunUpload.state != UploadState.DONE)
        .values(
            state=state,
            run_id=run_id,
            message=refused[:MESSAGE_MOST],
            done=1.0 if run_id is not None else 0.0,
            changed_at=now,
        )
    )


def drop_upload(session: Session, token: str, now: datetime) -> str:
    """Forget a file that is not being read; the serial of its stack.

    Raises Refused where it is being read, NotFound.
    """
    row = session.execute(
        select(RunUpload, Stack.serial)
        .join(Stack, Stack.id == RunUpload.stack_id)
        .where(RunUpload.token == token)
    ).first()
    if row is None:
        raise NotFound("uploaded log", token[:8])
    upload_row, serial = row
    if upload_row.state is UploadState.READING and now - upload_row.changed_at <= ABANDONED_AFTER:
        raise Refused(
            "log", upload_row.name, "it is being read.", "Wait for it, then make it void."
        )
    session.delete(upload_row)
    return str(serial)


def forget_uploads(session: Session, now: datetime) -> list[str]:
    """Forget what came in long ago and went nowhere; the tokens under which files may lie."""
    old = RunUpload.changed_at < now - FORGOTTEN_AFTER
    tokens = list(session.scalars(select(RunUpload.token).where(old)))
    if tokens:
        session.execute(delete(RunUpload).where(RunUpload.token.in_(tokens)))
    return tokens
