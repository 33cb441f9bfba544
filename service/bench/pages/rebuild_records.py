"""Rebuild records: the list, a new one, its head, and the whole of one to read and print."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.bench.queries.choices import StackToBegin, people_to_choose, stack_to_begin
from service.bench.queries.corrections import CorrectionView, corrections_of_records
from service.bench.queries.inserted_events import InsertedEvent, inserted_event
from service.bench.queries.looking_again import RestsOn, rests_on
from service.bench.queries.missing import Missing
from service.bench.queries.rebuild_records import ListedRecord, RecordView, record_list, record_view
from service.bench.tables import Rests
from service.closing.pages.closing import KeptClosing, kept_closing_of
from service.closing.queries.build_torques import TorqueTable
from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me, tablet_secret
from service.people.queries.people import person_at_work
from service.planning.queries.kits import missing_with_kit
from service.planning.queries.plans import Progress, progress
from service.platform.arithmetic.dates import AsOf
from service.platform.arithmetic.numbers import plain_whole
from service.platform.arithmetic.vocabulary import Stage, Whereabouts
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.proof.pages.stack_tests import TestedSheet, tested_sheet
from service.proof.queries.build_verdicts import verdicts_of_head
from service.records.changes.rebuild_records import (
    BEGINS_A_STACK,
    begin_record,
    change_record,
    confirm_witness,
)
from service.records.queries.content import Verification, verify
from service.records.queries.make_safe import newer_lists
from service.records.queries.records import RecordHead, ToWitness, to_witness
from service.records.queries.working_piles import working_pile
from service.records.tables import Involvement, RecordKind, RecordState
from service.settings import Settings
from service.store.changes.part_axes import move_part
from service.store.queries.make_safe_lists import ListVersion
from service.store.queries.part_lists import PartNamed

router = APIRouter(prefix="/records")
People = tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class RecordsPage:
    """Some records."""

    records: Shown[ListedRecord]
    states: tuple[str, ...]
    kinds: tuple[str, ...]
    people: People
    form: Form


@dataclass(frozen=True, slots=True)
class NewPage:
    """The form of a new record; ``kinds`` are those that fit the stack."""

    form: Form
    stack: StackToBegin | None
    kinds: tuple[str, ...]
    people: People


@dataclass(frozen=True, slots=True)
class HeadPage:
    """The form of a record's head."""

    form: Form
    head: RecordHead
    people: People


@dataclass(frozen=True, slots=True)
class RecordPage:
    """Everything about one record."""

    view: RecordView
    as_of: AsOf
    tables: tuple[TorqueTable, ...]
    missing: tuple[Missing, ...]
    verification: Verification | None
    corrections: tuple[CorrectionView, ...]
    standing: Progress | None
    """against the changeover plan it was begun by"""
    closed: KeptClosing | None
    """what its closing gave, as kept at hand-in"""
    tested: TestedSheet | None
    witnesses: tuple[ToWitness, ...]
    inserted: InsertedEvent | None
    rests: tuple[RestsOn, ...]
    """its approval, where it rests on a fact corrected since"""
    newer: tuple[ListVersion, ...]
    """make-safe lists in force that it did not begin with"""
    form: Form


@dataclass(frozen=True, slots=True)
class LiftedPage:
    """The form that says where lifted parts went."""

    form: Form
    head: RecordHead
    parts: tuple[PartNamed, ...]


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List the records, newest first."""
    need(me, Act.READ)
    settings: Settings = request.app.state.settings
    state = query.choice("state", RecordState, required=False)
    kind = query.choice("kind", RecordKind, required=False)
    person = query.whole("person", required=False)
    since, until = query.day("since", required=False), query.day("until", required=False)

    def begins(day: date | None) -> datetime | None:
        return datetime.combine(day, time(), settings.time_zone).astimezone(UTC) if day else None

    with reading(database) as session:
        listed = record_list(
            session,
            turn_asked(request, query),
            state=state,
            kind=kind,
            stack=query.text("stack", required=False, most=200),
            person_id=person,
            since=begins(since),
            until=begins(until + timedelta(days=1)) if until else None,
        )
        people = people_to_choose(session)
    context = RecordsPage(
        shown(request, listed), tuple(RecordState), tuple(RecordKind), people, query
    )
    return page(request, "bench/rebuild_records/list.html", context, query.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form of a new record."""
    need(me, Act.RECORD_WRITE)
    form = blank(
        request,
        stack=query.raw("stack"),
        kind=query.raw("kind"),
        performed_from=now_utc(),
        worked=(me.id,),
    )
    return _new_page(request, database, form)


@router.post("/new")
def begin(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Begin a record."""
    with form.collecting_errors():
        serial = form.text("stack", most=80)
        with reading(database) as session:
            stack = stack_to_begin(session, serial)
        if stack is None:
            form.refuse("stack", "there is no such stack.", "Its serial number would be right.")
        kind = form.choice("kind", RecordKind)
        reason = form.text("reason")
        performed_from = form.moment("performed_from", partial=True)
        people = _people(form)
        with changing(database, me, key=form.key) as work:
            record_id = begin_record(
                work,
                stack_id=stack.id if stack else 0,
                kind=kind or RecordKind.REBUILD,
                reason=reason,
                performed_from=performed_from or work.now,
                comes_after=form.whole("comes_after", required=False),
                people=people,
                writer_took_part=False,
                notes=form.text("notes", required=False),
            )
            work.answer = f"/records/{record_id}/bench"
        return go_on(request, work.answer)
    if (wrong := form.refused.pop("stack_id", None)) is not None:
        form.refused.setdefault("stack", wrong)
    return _new_page(request, database, form)


@router.get("/{record_id}")
def show(request: Request, me: Me, database: Database, query: Asked, record_id: int) -> Response:
    """Show the whole of a record, as known now or at a time."""
    need(me, Act.READ)
    return _record_page(request, database, record_id, query)


@router.post("/{record_id}/witness")
def witness(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Confirm as a witness named, who types their own password or PIN, whoever is signed in."""
    need(me, Act.READ)
    with form.collecting_errors():
        person_id = form.whole("witness_id") or 0
        name = f"witness_password_{person_id}"
        with reading(database) as session:
            account = person_at_work(session, person_id)
        password = form.raw(name)
        signing_now = signing(request, database, account, password)
        with signing_now, changing(database, account, key=form.key) as work:
            work.answer = f"/records/{record_id}"
            confirm_witness(work, record_id, password=password, tablet=tablet_secret(request))
        return go_on(request, work.answer)
    return _record_page(request, database, record_id, form)


def _record_page(request: Request, database: Engine, record_id: int, form: Form) -> Response:
    as_of = form.known_as_of()
    with reading(database) as session:
        view = record_view(session, record_id)
        verdicts = verdicts_of_head(session, view.head)
        missing = missing_with_kit(session, view.head, working_pile(session, record_id), verdicts)
        verification = verify(session, [record_id]).get(record_id)
        corrections = corrections_of_records(session, [record_id], as_of)[record_id]
        standing = progress(session, record_id)
        closed = kept_closing_of(
            session, record_id, view.head.stack_id, view.measured_height_mm, as_of
        )
        tested = tested_sheet(session, view.head, verdicts)
        witnesses = to_witness(session, record_id) if view.head.is_being_written else ()
        inserted = inserted_event(session, view.head)
        rests = rests_on(session, (Rests.RECORD,), (record_id,))
        newer = newer_lists(session, view.head, view.lists)
    tables = tuple(table for stage in Stage if (table := view.torque(stage)).passes)
    context = RecordPage(
        view,
        as_of,
        tables,
        missing,
        verification,
        corrections,
        standing,
        closed,
        tested,
        witnesses,
        inserted,
        rests,
        newer,
        form,
    )
    return page(request, "bench/rebuild_records/show.html", context, form.status)


@router.get("/{record_id}/head")
def show_head(request: Request, me: Me, database: Database, record_id: int) -> Response:
    """Show the form of a record's head."""
    need(me, Act.RECORD_WRITE)
    with reading(database) as session:
        view = record_view(session, record_id)
    form = blank(
        request,
        reason=view.head.reason,
        performed_from=view.head.performed_from,
        notes=view.head.notes,
        worked=_named(view, Involvement.WORKED),
        witnessed=_named(view, Involvement.WITNESSED),
        version=view.head.version,
    )
    return _head_page(request, database, form, view)


@router.post("/{record_id}/head")
def change(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Change what the head of a record says."""
    with form.collecting_errors():
        reason = form.text("reason")
        performed_from = form.moment("performed_from", partial=True)
        people = _people(form)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/records/{record_id}"
            change_record(
                work,
                record_id,
                form.version(),
                reason=reason,
                performed_from=performed_from or work.now,
                comes_after=form.whole("comes_after", required=False),
                notes=form.text("notes", required=False),
                people=people,
                writer_took_part=False,
            )
        return go_on(request, work.answer)
    with reading(database) as session:
        view = record_view(session, record_id)
    return _head_page(request, database, form, view)


@router.get("/{record_id}/lifted")
def show_lifted(request: Request, me: Me, database: Database, record_id: int) -> Response:
    """Show what was lifted off in a record and is not said to be anywhere else."""
    need(me, Act.PART_WRITE)
    return _lifted_page(request, database, blank(request), record_id)


@router.post("/{record_id}/lifted")
def say_where(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Say where lifted parts went: all that were ticked, or none."""
    with form.collecting_errors():
        whereabouts = form.choice("whereabouts", Whereabouts)
        place, reason = form.text("place", required=False, most=200), form.text("reason")
        ticked = [plain_whole(text) for text in form.raw_all("part_ids")]
        parts = [part_id for part_id in ticked if part_id is not None]
        if not parts:
            form.refuse("part_ids", "Nothing is ticked.", "Tick at least one part.")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/records/{record_id}"
            for part_id in parts:
                move_part(
                    work,
                    part_id,
                    whereabouts=whereabouts or Whereabouts.IN_STORE,
                    place=place,
                    reason=reason,
                )
        return go_on(request, work.answer)
    return _lifted_page(request, database, form, record_id)


def _lifted_page(request: Request, database: Engine, form: Form, record_id: int) -> Response:
    with reading(database) as session:
        view = record_view(session, record_id)
    context = LiftedPage(form, view.head, view.still_lifted)
    return page(request, "bench/rebuild_records/lifted.html", context, form.status)


def _people(form: Form) -> list[tuple[int, Involvement]]:
    """Who was ticked; strange numbers are refused by the change."""
    involved = []
    for name, how in (("worked", Involvement.WORKED), ("witnessed", Involvement.WITNESSED)):
        for text in form.raw_all(name):
            if not text.isdecimal() or len(text) > 15:
                form.refuse(name, f"“{text[:40]}” is nobody.", "Choose from the list.")
            else:
                involved.append((int(text), how))
    return involved


def _named(view: RecordView, how: Involvement) -> tuple[int, ...]:
    return tuple(person.person_id for person in view.people if person.involvement is how)


def _new_page(request: Request, database: Engine, form: Form) -> Response:
    with reading(database) as session:
        stack = stack_to_begin(session, form.raw("stack"))
        people = people_to_choose(session)
    kinds = tuple(kind.value for kind in _kinds(stack))
    return page(
        request, "bench/rebuild_records/new.html", NewPage(form, stack, kinds, people), form.status
    )


def _kinds(stack: StackToBegin | None) -> Sequence[RecordKind]:
    """Kinds of record that fit a stack; taking one over is done by an import."""
    kinds = [kind for kind in RecordKind if kind is not RecordKind.TAKEN_OVER]
    if stack is None:
        return kinds
    if not stack.ever_built:
        return [RecordKind.FIRST_BUILD]
    return [kind for kind in kinds if kind not in BEGINS_A_STACK]


def _head_page(request: Request, database: Engine, form: Form, view: RecordView) -> Response:
    with reading(database) as session:
        people = people_to_choose(session)
    ids = {person for person, _name in people}
    people += tuple(  # somebody shut out since stays named
        (involved.person_id, involved.name)
        for involved in view.people
        if involved.person_id not in ids
    )
    if form.stale is not None:  # sent again, it replaces what the page now shows
        form.typed["version"] = (str(form.stale.now),)
    return page(
        request, "bench/rebuild_records/head.html", HeadPage(form, view.head, people), form.status
    )
