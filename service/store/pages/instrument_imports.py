"""Import of a list of instruments: sent, looked at, written; as lists of parts are."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, now_utc, reading
from service.platform.files.fields_in import Reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Person, need
from service.store.changes.imports import write_instruments
from service.store.files import instruments_in
from service.store.files.instruments_in import INSTRUMENT_COLUMNS, InstrumentsSeen
from service.store.pages.imports import KeptList, ListKind, LookPage, mapping_of

router = APIRouter(prefix="/import/instruments")
INSTRUMENTS = ListKind("instruments", INSTRUMENT_COLUMNS, instruments_in.HEADINGS)


@dataclass(frozen=True, slots=True, kw_only=True)
class LookInstrumentsPage(LookPage):
    """What a list of instruments would make besides, or nothing where it cannot be taken."""

    seen: InstrumentsSeen | None


@router.get("")
def show_send(request: Request, me: Me) -> Response:
    """Show the form that takes the file."""
    need(me, Act.INSTRUMENT_WRITE)
    return INSTRUMENTS.send_page(request, blank(request))


@router.post("")
def send(request: Request, me: Me, form: Typed) -> Response:
    """Take the file, if there is a table in it."""
    need(me, Act.INSTRUMENT_WRITE)
    return INSTRUMENTS.keep(request, me, form)


@router.get("/{token}")
def show_look(request: Request, me: Me, database: Database, query: Asked, token: str) -> Response:
    """Show the columns, and what the list would make."""
    need(me, Act.INSTRUMENT_WRITE)
    return _look(request, me, database, query, token)


@router.post("/{token}")
def write(request: Request, me: Me, database: Database, form: Typed, token: str) -> Response:
    """Write every instrument of the list, or nothing."""
    need(me, Act.INSTRUMENT_WRITE)
    with form.collecting_errors():
        with changing(database, me, key=form.key) as work:
            kept_list = INSTRUMENTS.kept(request, me, token)
            seen = _plan(work.session, kept_list, form)
            kept_list.refuse_unless(seen.may_be_written)
            write_instruments(work, seen.plan)
            work.answer = "/instruments"
        kept_list.forget()
        return go_on(request, work.answer)
    return _look(request, me, database, form, token)


def _look(request: Request, me: Person, database: Engine, form: Form, token: str) -> Response:
    kept_list, seen = INSTRUMENTS.kept(request, me, token), None
    with reading(database) as session, form.collecting_errors():
        seen = _plan(session, kept_list, form)
    context = LookInstrumentsPage(**kept_list.look(form), seen=seen)
    return page(request, "store/imports/instruments_look.html", context, form.status)


def _plan(session: Session, kept_list: KeptList, form: Form) -> InstrumentsSeen:
    mapping = mapping_of(form, kept_list.table, INSTRUMENT_COLUMNS)
    how = Reading(form.zone, now_utc(), form.yes("day_first"), form.raw("decimal") or None)
    form.check()
    return instruments_in.plan(session, kept_list.table, mapping, kept_list.source, how)
