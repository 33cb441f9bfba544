"""Splitting a stack that lies open: the form of the new one."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.fields import Field
from service.platform.database import changing, reading
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.records.changes.splits import split_off
from service.records.queries.records import RecordHead, record_head
from service.stacks.arithmetic.stack_fields import STACK_FIELDS

router = APIRouter(prefix="/records")
SERIAL, _, PLACE, _ = STACK_FIELDS


@dataclass(frozen=True, slots=True)
class SplitPage:
    """The form of a stack that is split off, and the record the old one lies open in."""

    head: RecordHead
    form: Form
    fields: tuple[Field, ...] = (SERIAL, PLACE)


@router.get("/{record_id}/split")
def show(request: Request, me: Me, database: Database, record_id: int) -> Response:
    """Show the form of the new stack."""
    need(me, Act.STACK_WRITE)
    return _page(request, database, record_id, blank(request))


@router.post("/{record_id}/split")
def split(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Make the new stack and go on at its bench."""
    need(me, Act.STACK_WRITE)
    with form.collecting_errors():
        values = form.values([SERIAL, PLACE])
        with changing(database, me, key=form.key) as work:
            first = split_off(work, record_id, form.whole("version", least=0), **values)
            work.answer = f"/records/{first}/bench"
        return go_on(request, work.answer)
    return _page(request, database, record_id, form)


def _page(request: Request, database: Engine, record_id: int, form: Form) -> Response:
    with reading(database) as session:
        context = SplitPage(record_head(session, record_id), form)
    return page(request, "bench/split.html", context, form.status)
