"""Import of lists: a file is sent, its columns are named, what it makes is looked at, then written.

The middle step is a plain address with its answers in it: it can be gone back to and reloaded, and
nothing typed is lost. The file waits for a day.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine
from sqlalchemy.orm import Session

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
from service.store.arithmetic.part_fields import MEASURED, PART_COLUMNS
from service.store.changes.imports import SourceFile, write_parts
from service.store.files import parts_in
from service.store.files.parts_in import ListOptions, PartsSeen
from service.store.queries.part_types import PartTypeFacts, part_types

router = APIRouter(prefix="/import/parts")
SHOWN = 100
DECIMALS = ((".", "point"), (",", "comma"))


@dataclass(frozen=True, slots=True)
class ListKind:
    """A kind of list: its name in addresses, the fields it has columns for, and their headings."""

    name: str
    fields: tuple[Field, ...]
    headings: tuple[tuple[str, ...], ...]

    def send_page(self, request: Request, form: Form) -> Response:
        """Show the form that takes the file."""
        template = f"store/imports/{self.name}.html"
        return page(request, template, SendPage(form, MOST_MB, self.fields), form.status)

    def keep(self, request: Request, me: Person, form: Form) -> Response:
        """Take the file, if there is a table in it, and go on to look at it."""
        with form.collecting_errors():
            name, content = sent_file(form)
            self._read(name, content)
            settings: Settings = request.app.state.settings
            token = uploads.keep(settings.data_folder, me.id, name, content, now_utc())
            return go_on(request, f"/import/{self.name}/{token}")
        return self.send_page(request, form)

    def kept(self, request: Request, me: Person, token: str) -> "KeptList":
        """Return the list somebody sent. Raises NotFound, Refused."""
        settings: Settings = request.app.state.settings
        upload = uploads.find(settings.data_folder, me.id, token)
        table = self._read(upload.name, upload.content)
        return KeptList(self, settings.data_folder, upload, table)

    def _read(self, name: str, content: bytes) -> Table:
        return read_table(content, name, headings=self.headings)


@dataclass(frozen=True, slots=True)
class KeptList:
    """A list that was sent and waits to be written."""

    kind: ListKind
    folder: Path
    upload: uploads.Upload
    table: Table

    def look(self, form: Form) -> dict[str, Any]:
        """Return what a `LookPage` tells of it."""
        return {
            "name": self.upload.name,
            "token": self.upload.token,
            "table": self.table,
            "form": form,
            "examples": examples_of(self.table),
            "fields": self.kind.fields,
        }

    @property
    def source(self) -> SourceFile:
        """The file as what it makes names it."""
        return SourceFile(self.upload.name, hashlib.sha256(self.upload.content).hexdigest())

    def refuse_unless(self, may_be_written: bool) -> None:
        """Raise Refused where rows are in error."""
        if not may_be_written:
            right = "Look at the rows in error below."
            raise Refused("file", self.upload.name, "it cannot be written as it stands.", right)

    def forget(self) -> None:
        """Forget the file once it was written."""
        uploads.forget(self.folder, self.upload.token)


@dataclass(frozen=True, slots=True)
class SendPage:
    """The form that takes the file."""

    form: Form
    most_mb: int
    fields: tuple[Field, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LookPage:
    """The columns of a list, and what stands in them."""

    name: str
    token: str
    table: Table
    form: Form
    examples: tuple[str, ...]
    fields: tuple[Field, ...]
    decimals: tuple[tuple[str, str], ...] = DECIMALS
    shown: int = SHOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class LookPartsPage(LookPage):
    """What a list of parts would make besides, or nothing where it cannot be taken."""

    seen: PartsSeen | None
    part_types: tuple[PartTypeFacts, ...]
    measured: tuple[Field, ...] = MEASURED


PARTS = ListKind("parts", PART_COLUMNS, parts_in.HEADINGS)


@router.get("")
def show_send(request: Request, me: Me) -> Response:
    """Show the form that takes the file."""
    need(me, Act.IMPORT)
    return PARTS.send_page(request, blank(request))


@router.post("")
def send(request: Request, me: Me, form: Typed) -> Response:
    """Take the file, if there is a table in it."""
    need(me, Act.IMPORT)
    return PARTS.keep(request, me, form)


@router.get("/{token}")
def show_look(request: Request, me: Me, database: Database, query: Asked, token: str) -> Response:
    """Show the columns, and what the list would make."""
    need(me, Act.IMPORT)
    return _look(request, me, database, query, token)


@router.post("/{token}")
def write(request: Request, me: Me, database: Database, form: Typed, token: str) -> Response:
    """Write everything the list makes, or nothing."""
    need(me, Act.IMPORT)
    with form.collecting_errors():
        with changing(database, me, key=form.key) as work:
            kept_list = PARTS.kept(request, me, token)
            parts_seen = _plan(work.session, kept_list, form, me)
            kept_list.refuse_unless(parts_seen.may_be_written)
            write_parts(work, parts_seen.plan)
            work.answer = "/parts"
        kept_list.forget()
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
    examples = []
    for column in range(len(table.headers)):
        cells = [text_of(row.cells[column]) for row in table.rows[:200]]
        filled = [cell[:40] for cell in dict.fromkeys(cells) if cell][:3]
        examples.append(", ".join(filled) or "nothing")
    return tuple(examples)


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
    kept_list = PARTS.kept(request, me, token)
    parts_seen = None
    with reading(database) as session:
        types = part_types(session)
        with form.collecting_errors():
            parts_seen = _plan(session, kept_list, form, me)
    context = LookPartsPage(**kept_list.look(form), seen=parts_seen, part_types=types)
    return page(request, "store/imports/parts_look.html", context, form.status)


def _plan(session: Session, kept_list: KeptList, form: Form, me: Person) -> PartsSeen:
    mapping = mapping_of(form, kept_list.table, PART_COLUMNS)
    how = Reading(form.zone, now_utc(), form.yes("day_first"), form.raw("decimal") or None)
    type_id, alike_differ = form.whole("part_type_id", required=False), form.yes("alike_differ")
    options = ListOptions(how, me, type_id, alike_differ)
    form.check()
    return parts_in.plan(session, kept_list.table, mapping, kept_list.source, options)
