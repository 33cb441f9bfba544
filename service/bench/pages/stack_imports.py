"""Taking over an existing stack: its list is sent, looked at as a pile, then written.

As with lists of parts the middle step is a plain address that keeps what was typed.
"""

from dataclasses import dataclass
from datetime import UTC, datetime

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.bench import files
from service.bench.changes.stack_imports import StackHead, write_stack
from service.bench.files import StackOptions, StackSeen, plan_stack
from service.designs.queries import DesignRow, designs
from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, now_utc, reading
from service.platform.files import photos
from service.platform.files.fields_in import Reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Person, need
from service.store.arithmetic.part_fields import STACK_COLUMNS
from service.store.pages.imports import KeptList, ListKind, LookPage, mapping_of

router = APIRouter(prefix="/import/stack")
NOT_YET = StackHead("", 0, 1, datetime(2000, 1, 1, tzinfo=UTC))
"""Stands for a head that is not filled in yet, so that rows can be looked at before."""


STACKS = ListKind("stack", STACK_COLUMNS, files.HEADINGS)


@dataclass(frozen=True, slots=True, kw_only=True)
class LookStackPage(LookPage):
    """The stack's head besides, and the pile as it would lie."""

    seen: StackSeen | None
    head_is_given: bool
    designs: tuple[DesignRow, ...]


@router.get("")
def show_send(request: Request, me: Me) -> Response:
    """Show the form that takes the file."""
    need(me, Act.IMPORT)
    return STACKS.send_page(request, blank(request))


@router.post("")
def send(request: Request, me: Me, form: Typed) -> Response:
    """Take the file, if there is a table in it."""
    need(me, Act.IMPORT)
    return STACKS.keep(request, me, form)


@router.get("/{token}")
def show_look(request: Request, me: Me, database: Database, query: Asked, token: str) -> Response:
    """Show the columns, the head, and the pile as it would lie."""
    need(me, Act.IMPORT)
    return _look(request, me, database, query, token)


@router.post("/{token}")
def write(request: Request, me: Me, database: Database, form: Typed, token: str) -> Response:
    """Write the stack with its pile, and hand its record in."""
    need(me, Act.IMPORT)
    with form.collecting_errors():
        head = _head(form)
        with changing(database, me, key=form.key) as work:
            kept_list = STACKS.kept(request, me, token)
            stack_seen = _plan(work.session, kept_list, form, head)
            kept_list.refuse_unless(stack_seen.may_be_written)
            upload, media_type = kept_list.upload, kept_list.table.media_type
            checked = photos.Checked(upload.content, media_type, upload.name)
            stored = photos.store(kept_list.folder, checked)
            work.answer = f"/records/{write_stack(work, stack_seen.plan, stored)}"
        kept_list.forget()
        return go_on(request, work.answer)
    return _look(request, me, database, form, token)


def _look(request: Request, me: Person, database: Engine, form: Form, token: str) -> Response:
    kept_list = STACKS.kept(request, me, token)
    stack_seen, head_is_given = None, False
    is_first = not any(name.startswith("column_") for name in form.typed)
    with reading(database) as session:
        designs_known = designs(session)
        with form.collecting_errors():
            head = NOT_YET
            if is_first:
                form.typed |= {"build_number": ("1",), "make_missing": ("yes",)}
            else:
                head = _head(form)
                head_is_given = not form.is_refused
            head_given = head if head_is_given else NOT_YET
            stack_seen = _plan(session, kept_list, form, head_given)
    context = LookStackPage(
        **kept_list.look(form), seen=stack_seen, head_is_given=head_is_given, designs=designs_known
    )
    return page(request, "store/imports/stack_look.html", context, form.status)


def _plan(session: Session, kept_list: KeptList, form: Form, head: StackHead) -> StackSeen:
    how = Reading(form.zone, now_utc(), decimal=form.raw("decimal") or None)
    options = StackOptions(
        how, form.yes("make_missing"), form.yes("from_free_end"), form.yes("alike_differ")
    )
    mapping = mapping_of(form, kept_list.table, STACK_COLUMNS)
    return plan_stack(
        session, kept_list.table, mapping, kept_list.source, head=head, options=options
    )


def _head(form: Form) -> StackHead:
    serial = form.text("serial", most=80)
    design_id = form.whole("design_id", least=1)
    build_number = form.whole("build_number", least=1, most=10_000)
    closed_at = form.moment("closed_at", partial=True)
    hours_at_closing = form.number("hours_at_closing", unit="h", required=False)
    hours_now = form.number("hours_now", unit="h", required=False)
    return StackHead(
        serial,
        design_id or 0,
        build_number or 1,
        closed_at or NOT_YET.closed_at,
        form.text("place", required=False, most=200),
        hours_at_closing,
        hours_now,
        None,
        form.text("reason", required=False, most=1000)
        or "Taken over from the records kept before.",
        form.yes("accept_new"),
    )
