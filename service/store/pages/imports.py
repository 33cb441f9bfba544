"""Import of lists: a file is sent, its columns are named, what it makes is looked at, then written.

The middle step is a plain address with its answers in it: it can be gone back to and reloaded, and
nothing typed is lost. The file waits for a day.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.fields import Field
from service.platform.database import changing, now_utc, reading
from service.platform.errors import Refused
from service.platform.files import uploads
from service.platform.files.fields_in import Reading
from service.platform.files.tables_in import MOST_MB, Table, read_table, suggest_mapping, text_of
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Person, need
from service.settings import Settings
from service.store import files as parts_in
from service.store.arithmetic.part_fields import MEASURED, PART_COLUMNS
from service.store.changes.imports import SourceFile, write_parts
from service.store.files import ListOptions, PartsSeen
from service.store.queries.part_types import PartTypeFacts, part_types

router = APIRouter(prefix="/import/parts")
SHOWN = 100
DECIMALS = ((".", "point"), (",", "comma"))


@dataclass(frozen=True, slots=True)
class SendPage:
    """The form that takes the file."""

    form: Form
    most_mb: int
    fields: tuple[Field, ...] = PART_COLUMNS


@dataclass(frozen=True, slots=True)
class LookPage:
    """The columns and what the list would make, or why it cannot be taken."""

    name: str
    token: str
    table: Table
    form: Form
    seen: PartsSeen | None
    part_types: tuple[PartTypeFacts, ...]
    examples: tuple[str, ...]
    fields: tuple[Field, ...] = PART_COLUMNS
    decimals: tuple[tuple[str, str], ...] = DECIMALS
    shown: int = SHOWN
    measured: tuple[Field, ...] = MEASURED


@router.get("")
def show_send(request: Request, me: Me) -> Response:
    """Show the form that takes the file."""
    need(me, Act.IMPORT)
    return page(request, "store/imports/parts.html", SendPage(blank(request), MOST_MB))


@router.post("")
def send(request: Request, me: Me, form: Typed) -> Response:
    """Take the file, if there is a table in it."""
    need(me, Act.IMPORT)
    with form.keeping():
        name, content = sent_file(form)
        read_table(content, name, known=parts_in.HEADINGS)
        settings: Settings = request.app.state.settings
        token = uploads.keep(settings.data_folder, me.id, name, content, now_utc())
        return go_on(request, f"/import/parts/{token}")
    return page(request, "store/imports/parts.html", SendPage(form, MOST_MB), form.status)


@router.get("/{token}")
def show_look(request: Request, me: Me, database: Database, asked: Asked, token: str) -> Response:
    """Show the columns, and what the list would make."""
    need(me, Act.IMPORT)
    return _look(request, me, database, asked, token)


@router.post("/{token}")
def write(request: Request, me: Me, database: Database, form: Typed, token: str) -> Response:
    """Write everything the list makes, or nothing."""
    need(me, Act.IMPORT)
    settings: Settings = request.app.state.settings
    with form.keeping(), changing(database, me, key=form.key) as work:
        upload = uploads.find(settings.data_folder, me.id, token)
        table = read_table(upload.content, upload.name, known=parts_in.HEADINGS)
        mapping = mapping_of(form, table, PART_COLUMNS)
        seen = parts_in.plan(work.session, table, mapping, _source(upload), _options(form, me))
        if not seen.may_be_written:
            right = "Look at the rows in error below."
            raise Refused("file", upload.name, "it cannot be written as it stands.", right)
        write_parts(work, seen.plan)
        work.answer = "/parts"
    if not form.is_refused:
        uploads.forget(settings.data_folder, token)
        return go_on(request, work.answer)
    return _look(request, me, database, form, token)


def sent_file(form: Form) -> tuple[str, bytes]:
    """Return the name and content of the file a form sent. Raises Refused where there is none."""
    files = form.files("file")
    if not files:
        raise Refused("file", "", "no file was chosen.", "A CSV or XLSX file would be right.")
    return files[0].filename or "list", files[0].file.read()


def examples_of(table: Table) -> tuple[str, ...]:
    """Return the first things that stand in each column, to know it by."""
    found = []
    for column in range(len(table.headers)):
        cells = [text_of(row.cells[column]) for row in table.rows[:200]]
        filled = [cell[:40] for cell in dict.fromkeys(cells) if cell][:3]
        found.append(", ".join(filled) or "nothing")
    return tuple(found)


def mapping_of(form: Form, table: Table, fields: Sequence[Field]) -> dict[str, int]:
    """Say which column each field has on the form.

    As suggested where nobody has said anything yet.
    """
    if not any(name.startswith("column_") for name in form.typed):
        names = {field.name: field.headings for field in fields}
        mapping = suggest_mapping(table.headers, names)
        for field in fields:
            column = mapping.get(field.name)
            form.typed[f"column_{field.name}"] = ("" if column is None else str(column),)
        return mapping
    mapping = {}
    for field in fields:
        column = form.whole(f"column_{field.name}", required=False, most=len(table.headers) - 1)
        if column is not None:
            mapping[field.name] = column
    return mapping


def _look(request: Request, me: Person, database: Engine, form: Form, token: str) -> Response:
    settings: Settings = request.app.state.settings
    upload = uploads.find(settings.data_folder, me.id, token)
    table = read_table(upload.content, upload.name, known=parts_in.HEADINGS)
    seen = None
    with reading(database) as session:
        types = part_types(session)
        with form.keeping():
            mapping = mapping_of(form, table, PART_COLUMNS)
            form.check()
            seen = parts_in.plan(session, table, mapping, _source(upload), _options(form, me))
    context = LookPage(upload.name, token, table, form, seen, types, examples_of(table))
    return page(request, "store/imports/parts_look.html", context, form.status)


def _options(form: Form, me: Person) -> ListOptions:
    how = Reading(form.zone, now_utc(), form.yes("day_first"), form.kept("decimal") or None)
    return ListOptions(how, me, form.whole("part_type_id", required=False))


def _source(upload: uploads.Upload) -> SourceFile:
    return SourceFile(upload.name, hashlib.sha256(upload.content).hexdigest())
