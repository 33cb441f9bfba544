"""Photos and papers at records and parts: shown, added, taken off again with the reason."""

from dataclasses import dataclass
from typing import Literal

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.changes import Stored
from service.platform.database import changing, reading
from service.platform.errors import NotFound, Refused
from service.platform.files import photos
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.records.changes import attachments as changes
from service.records.queries.attachments import (
    Attached,
    attachment,
    attachments_of_part,
    attachments_of_record,
    part_name,
    record_being_written,
)
from service.settings import Settings

router = APIRouter()
Place = tuple[Literal["record", "part"], int]
ONCE_AND_FOR_ALL = "private, max-age=31536000, immutable"


@dataclass(frozen=True, slots=True)
class AttachmentsPage:
    """The files of one record or part, with the form for more."""

    of: Literal["record", "part"]
    subject_id: int
    subject: str
    files: tuple[Attached, ...]
    open: bool
    version: int
    form: Form
    most_mb: int


@router.get("/attachments/{attachment_id}")
def show_file(request: Request, me: Me, database: Database, attachment_id: int) -> Response:
    """Give one file: photos to look at, papers to keep."""
    return _file(request, me, database, attachment_id, small=False)


@router.get("/attachments/{attachment_id}/small")
def show_small(request: Request, me: Me, database: Database, attachment_id: int) -> Response:
    """Give the small picture of a photo."""
    return _file(request, me, database, attachment_id, small=True)


@router.get("/records/{record_id}/attachments")
def of_record(request: Request, me: Me, database: Database, record_id: int) -> Response:
    """List the files of a record."""
    need(me, Act.READ)
    return _list(request, database, ("record", record_id))


@router.get("/parts/{part_id}/attachments")
def of_part(request: Request, me: Me, database: Database, part_id: int) -> Response:
    """List the files which show a part."""
    need(me, Act.READ)
    return _list(request, database, ("part", part_id))


@router.post("/records/{record_id}/attachments")
def add_to_record(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Attach files to a record being written."""
    need(me, Act.RECORD_WRITE)
    return _add(request, me, database, form, ("record", record_id))


@router.post("/parts/{part_id}/attachments")
def add_to_part(
    request: Request, me: Me, database: Database, form: Typed, part_id: int
) -> Response:
    """Attach files to a part."""
    need(me, Act.PART_WRITE)
    return _add(request, me, database, form, ("part", part_id))


@router.post("/attachments/{attachment_id}/remove")
def remove(
    request: Request, me: Me, database: Database, form: Typed, attachment_id: int
) -> Response:
    """Take a file off again; its content stays."""
    with reading(database) as session:
        file = attachment(session, attachment_id)
    of, subject_id = _place(file)
    with form.collecting_errors():
        reason = form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/{of}s/{subject_id}/attachments"
            changes.remove_attachment(work, attachment_id, reason=reason)
        return go_on(request, work.answer)
    return _list(request, database, (of, subject_id), form)


def _place(file: Attached) -> Place:
    if file.record_id is not None:
        return "record", file.record_id
    return "part", file.part_id or 0


def _add(request: Request, me: Me, database: Engine, form: Form, place: Place) -> Response:
    of, subject_id = place
    with form.collecting_errors():
        if not form.files("files"):
            form.refuse("files", "No file was chosen.", photos.RIGHT)
        stored = stored_files(request, form, "files")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/{of}s/{subject_id}/attachments"
            changes.add_attachments(work, stored, **{f"{of}_id": subject_id})
        return go_on(request, work.answer)
    return _list(request, database, (of, subject_id), form)


def stored_files(request: Request, form: Form, field: str) -> list[Stored]:
    """Check the files chosen in a field and lay them on disk before a row names them."""
    settings: Settings = request.app.state.settings
    checked = []
    for file in form.files(field):
        try:
            content = file.file.read(settings.attachment_max_mb * photos.MEGABYTE + 1)
            name = file.filename or ""
            checked.append(photos.check(content, name, most_mb=settings.attachment_max_mb))
        except Refused as refusal:
            form.refuse(field, f"“{refusal.value}”: {refusal.reason}", refusal.right_would_be)
    form.check()
    return [photos.store(settings.data_folder, photo) for photo in checked]


def _list(request: Request, database: Engine, place: Place, form: Form | None = None) -> Response:
    of, subject_id = place
    settings: Settings = request.app.state.settings
    with reading(database) as session:
        if of == "record":
            version, is_open = record_being_written(session, subject_id)
            subject, files = f"record {subject_id}", attachments_of_record(session, subject_id)
        else:
            subject, is_open, version = part_name(session, subject_id), True, 0
            files = attachments_of_part(session, subject_id)
    form = form or blank(request)
    context = AttachmentsPage(
        of, subject_id, subject, files, is_open, version, form, settings.attachment_max_mb
    )
    return page(request, "records/attachments/list.html", context, form.status)


def _file(
    request: Request, me: Me, database: Engine, attachment_id: int, *, small: bool
) -> Response:
    need(me, Act.READ)
    settings: Settings = request.app.state.settings
    with reading(database) as session:
        file = attachment(session, attachment_id)
    etag = f'"{file.content_sha256}{"-small" if small else ""}"'
    headers = {
        "ETag": etag,
        "Cache-Control": ONCE_AND_FOR_ALL,
        "Content-Security-Policy": "default-src 'none'; sandbox",
    }
    if request.headers.get("if-none-match") == etag:
        return Response(status_code=304, headers=headers)
    place = photos.path_of(settings.data_folder, file.content_sha256)
    if not place.is_file() or (small and not file.is_photo):
        raise NotFound("file on disk" if file.is_photo else "small picture", file.name)
    if small:
        place = photos.small_picture(settings.data_folder, file.content_sha256)
    return FileResponse(
        place,
        media_type="image/webp" if small else file.media_type,
        filename=None if small else _named(file),
        content_disposition_type="inline" if file.is_photo else "attachment",
        headers=headers,
    )


def _named(file: Attached) -> str:
    """Its name with the ending of what it is, whatever ending it came with."""
    ending = photos.ENDINGS[file.media_type]
    same = (ending, ".jpeg") if ending == ".jpg" else (ending,)
    return file.name if file.name.lower().endswith(same) else file.name + ending
