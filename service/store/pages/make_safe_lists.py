"""Make-safe lists of the site: all of them, one with its versions, and a new version."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.fields import Field
from service.platform.database import changing, reading
from service.platform.pages.forms import Form, Number, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.pages.rows import closed_up, row_fields, rows_begun, rows_shown, show_more
from service.platform.permissions import Act, need
from service.store.arithmetic.make_safe import (
    DEFAULT_LINES,
    LINE_FIELDS,
    LeavesNone,
    LineAsked,
    SafeAct,
)
from service.store.changes.make_safe_lists import begin_list, propose_list, withdraw_list
from service.store.queries.make_safe_lists import (
    ListOnPage,
    lines_of,
    make_safe_list,
    make_safe_lists,
)
from service.store.queries.proposals import Proposal

router = APIRouter(prefix="/make-safe")
LINE = "line"


@dataclass(frozen=True, slots=True)
class ListsPage:
    """All lists."""

    lists: tuple[ListOnPage, ...]


@dataclass(frozen=True, slots=True)
class ListPage:
    """One list: a version with its lines, and all that was proposed."""

    list: ListOnPage
    shown: Proposal | None
    lines: tuple[LineAsked, ...]


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a first or new version."""

    form: Form
    list: ListOnPage | None
    rows: tuple[tuple[Field, ...], ...]
    acts: tuple[SafeAct, ...] = tuple(SafeAct)


@router.get("")
def show_all(request: Request, me: Me, database: Database) -> Response:
    """List the lists."""
    need(me, Act.READ)
    with reading(database) as session:
        context = ListsPage(make_safe_lists(session))
    return page(request, "store/make_safe/list.html", context)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database) -> Response:
    """Show the form of a new list, with the lines a site usually begins with."""
    need(me, Act.LIMITS_WRITE)
    return _entry_page(request, database, _begun(request, DEFAULT_LINES))


@router.post("/new")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Propose the first version of a new list."""
    need(me, Act.LIMITS_WRITE)
    if form.raw("more"):
        show_more(form, LINE)
        return _entry_page(request, database, form)
    with form.collecting_errors():
        act, place = form.choice("act", SafeAct), form.text("place", required=False)
        source, reason = _why(form)
        lines = _read_lines(form)
        with changing(database, me, key=form.key) as work:
            list_id = begin_list(
                work, act or SafeAct.OPENING, place, lines, source=source, reason=reason
            )
            work.answer = f"/make-safe/{list_id}"
        return go_on(request, work.answer)
    return _entry_page(request, database, form)


@router.get("/{list_id}")
def show(request: Request, me: Me, database: Database, list_id: Number) -> Response:
    """Show one list: the version in force, what waits, and all versions."""
    need(me, Act.READ)
    with reading(database) as session:
        shown_list = make_safe_list(session, list_id)
    shown = shown_list.in_force or shown_list.waiting
    context = ListPage(shown_list, shown, lines_of(shown) if shown else ())
    return page(request, "store/make_safe/show.html", context)


@router.get("/{list_id}/edit")
def show_edit(request: Request, me: Me, database: Database, list_id: Number) -> Response:
    """Show the form of a new version, filled in with the newest one."""
    need(me, Act.LIMITS_WRITE)
    with reading(database) as session:
        edited = make_safe_list(session, list_id)
    return _entry_page(request, database, _begun(request, edited.newest), list_id)


@router.post("/{list_id}/edit")
def change(request: Request, me: Me, database: Database, form: Typed, list_id: Number) -> Response:
    """Propose a new version."""
    need(me, Act.LIMITS_WRITE)
    if form.raw("more"):
        show_more(form, LINE)
        return _entry_page(request, database, form, list_id)
    with form.collecting_errors():
        source, reason = _why(form)
        lines = _read_lines(form)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/make-safe/{list_id}"
            propose_list(work, list_id, lines, source=source, reason=reason)
        return go_on(request, work.answer)
    return _entry_page(request, database, form, list_id)


@router.get("/{list_id}/withdraw")
def show_withdrawal(request: Request, me: Me, database: Database, list_id: Number) -> Response:
    """Show the form that withdraws a list."""
    need(me, Act.LIMITS_WRITE)
    return _withdrawal_page(request, database, blank(request), list_id)


@router.post("/{list_id}/withdraw")
def withdraw(
    request: Request, me: Me, database: Database, form: Typed, list_id: Number
) -> Response:
    """Propose that a list be withdrawn."""
    need(me, Act.LIMITS_WRITE)
    with form.collecting_errors():
        answer, reason = form.choice("leaves_none", LeavesNone, required=False), form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/make-safe/{list_id}"
            withdraw_list(work, list_id, reason=reason, leaves_none=answer)
        return go_on(request, work.answer)
    return _withdrawal_page(request, database, form, list_id)


def _withdrawal_page(request: Request, database: Engine, form: Form, list_id: int) -> Response:
    with reading(database) as session:
        withdrawn = make_safe_list(session, list_id)
    context = EntryPage(form, withdrawn, ())
    return page(request, "store/make_safe/withdraw.html", context, form.status)


def _begun(request: Request, lines: Sequence[LineAsked]) -> Form:
    return blank(request, **rows_begun(LINE, lines, LINE_FIELDS, spare=1))


def _why(form: Form) -> tuple[str, str]:
    return form.text("source", required=False, most=1000), form.text("reason")


def _read_lines(form: Form) -> list[LineAsked]:
    """Read the lines; everything that cannot be read is refused beside its field."""
    numbers = range(1, closed_up(form, LINE, LINE_FIELDS) + 1)
    fields = [row_fields(LINE, number, LINE_FIELDS) for number in numbers]
    values = form.values(chain(*fields))
    return [
        LineAsked(number, **{of.name: values[f"{LINE}_{number}_{of.name}"] for of in LINE_FIELDS})
        for number in numbers
    ]


def _entry_page(
    request: Request, database: Engine, form: Form, list_id: int | None = None
) -> Response:
    edited = None
    if list_id is not None:
        with reading(database) as session:
            edited = make_safe_list(session, list_id)
    rows = tuple(
        row_fields(LINE, number, LINE_FIELDS) for number in range(1, rows_shown(form, LINE) + 1)
    )
    return page(request, "store/make_safe/edit.html", EntryPage(form, edited, rows), form.status)
