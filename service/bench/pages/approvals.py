"""Approvals: what waits for whom, and everything about one record on the sheet that is signed."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.bench.changes.approvals import approve, make_void, propose_void, send_back, take_up
from service.bench.queries.approvals import (
    ConcessionUsed,
    LimitsToApprove,
    SentBackRecord,
    Turns,
    WaitingCorrection,
    WaitingRecord,
    concessions_used,
    may_decide,
    waiting,
)
from service.bench.queries.corrections import CorrectionView, corrections_of_records
from service.bench.queries.inserted_events import InsertedEvent, inserted_event
from service.bench.queries.looking_again import RestsOn, rests_on
from service.bench.queries.missing import Missing, missing_of
from service.bench.queries.rebuild_records import RecordView, record_view
from service.bench.tables import Rests
from service.closing.pages.closing import KeptClosing, kept_closing_of
from service.closing.queries.build_torques import TorqueTable
from service.condition.drawings.spread import SpreadReading, draw_spread
from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me
from service.people.queries.signers import remarks_beside
from service.platform.arithmetic.vocabulary import Stage
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Answer, Person, RecordFacts, may, need
from service.platform.queries.lists import CURSOR
from service.proof.pages.stack_tests import TestedSheet, tested_sheet
from service.proof.queries.build_verdicts import verdicts_of_head
from service.records.queries.content import Verification, verify
from service.records.queries.records import (
    Removed,
    VoidProposed,
    may_void_alone,
    people_on,
    removed_from,
    void_proposed,
)
from service.records.queries.working_piles import working_pile
from service.stacks.arithmetic.comparison import Comparison, compare
from service.stacks.pages.layer_pictures import How, layer_table, section
from service.stacks.pages.stack_sheets import ChangeRow, change_row
from service.stacks.queries.layer_maps import LayerMap, layer_map
from service.store.queries.proposals import Proposal, proposals_waiting

router = APIRouter()
CURSORS = {
    "records": CURSOR,
    "corrections": "corrections",
    "sent_back": "sent_back",
    "limits": "limits",
}
"""The name in addresses of each list's cursor."""


@dataclass(frozen=True, slots=True)
class WaitingPage:
    """What waits for a decision, each list by the page."""

    records: Shown[WaitingRecord]
    corrections: Shown[WaitingCorrection]
    sent_back: Shown[SentBackRecord]
    limits: Shown[LimitsToApprove]
    proposals: tuple[tuple[Proposal, Answer], ...]
    rests: tuple[RestsOn, ...]
    """what rests on a fact corrected since"""


@dataclass(frozen=True, slots=True)
class Piles:
    """The build the record made, and the one before it; drawn with what changed."""

    before: LayerMap | None
    after: LayerMap
    comparison: Comparison | None
    caption: str
    drawing: Markup
    drawing_before: Markup
    table: Markup
    rows: tuple[ChangeRow, ...]


@dataclass(frozen=True, slots=True)
class Voids:
    """The ways to make the record void: alone, or by confirming what somebody proposed."""

    alone: bool
    proposed: VoidProposed | None
    confirms: Answer


@dataclass(frozen=True, slots=True)
class ApprovalPage:
    """One record with everything somebody has to see who signs it."""

    view: RecordView
    piles: Piles | None
    tables: tuple[TorqueTable, ...]
    spread: Markup
    missing: tuple[Missing, ...]
    corrections: tuple[CorrectionView, ...]
    concessions: tuple[ConcessionUsed, ...]
    removed: tuple[Removed, ...]
    verification: Verification | None
    inserted: InsertedEvent | None
    rests: tuple[RestsOn, ...]
    closed: KeptClosing | None
    tested: TestedSheet | None
    decides: Answer
    remarks: tuple[str, ...]
    voids: Voids
    form: Form
    back: Form
    void: Form


@router.get("/approvals")
def show_waiting(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show what waits for a decision, and of whom."""
    need(me, Act.READ)
    with reading(database) as session:
        turns = {name: turn_asked(request, query, cursor) for name, cursor in CURSORS.items()}
        waiting_now = waiting(session, me, Turns(**turns))
        proposals = tuple(
            (each, may(me, Act.CHANGE_APPROVE, RecordFacts(written_by=each.made_by_id or 0)))
            for each in proposals_waiting(session)
        )
        rests = rests_on(session)
    lists = {
        name: shown(request, getattr(waiting_now, name), cursor) for name, cursor in CURSORS.items()
    }
    context = WaitingPage(**lists, proposals=proposals, rests=rests)
    return page(request, "bench/approvals/list.html", context)


@router.get("/records/{record_id}/approval")
def show(request: Request, me: Me, database: Database, record_id: int) -> Response:
    """Show everything about a record on the sheet that is signed."""
    need(me, Act.READ)
    return _sheet(request, database, me, record_id)


@router.post("/records/{record_id}/approve")
def sign(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Approve a record."""
    password = form.raw("password")
    with form.collecting_errors():
        with signing(request, database, me, password), changing(database, me, key=form.key) as work:
            work.answer = f"/records/{record_id}/approval"
            approve(work, record_id, content_sha256=form.raw("content_sha256"), password=password)
        return go_on(request, work.answer)
    return _sheet(request, database, me, record_id, form=form)


@router.post("/records/{record_id}/send-back")
def give_back(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Send a record back with the reason."""
    with form.collecting_errors():
        reason = form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/records/{record_id}/approval"
            send_back(work, record_id, reason=reason)
        return go_on(request, work.answer)
    return _sheet(request, database, me, record_id, back=form)


@router.post("/records/{record_id}/take-up")
def open_again(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Take a record up again which was sent back."""
    with changing(database, me, key=form.key) as work:
        work.answer = f"/records/{record_id}/bench"
        take_up(work, record_id)
    return go_on(request, work.answer)


@router.post("/records/{record_id}/void")
def strike(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Make a record void with the reason."""
    with form.collecting_errors():
        reason, password = form.text("void_reason", required=False), form.raw("void_password")
        with signing(request, database, me, password), changing(database, me, key=form.key) as work:
            work.answer = f"/records/{record_id}"
            make_void(work, record_id, reason=reason, password=password)
        return go_on(request, work.answer)
    form.move_refusal("password", "void_password")
    form.move_refusal("reason", "void_reason")
    return _sheet(request, database, me, record_id, void=form)


@router.post("/records/{record_id}/void/propose")
def propose(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Propose that a record with entries be made void."""
    with form.collecting_errors():
        reason = form.text("void_reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/records/{record_id}/approval"
            propose_void(work, record_id, reason=reason)
        return go_on(request, work.answer)
    return _sheet(request, database, me, record_id, void=form)


def _sheet(
    request: Request,
    database: Engine,
    me: Person,
    record_id: int,
    *,
    form: Form | None = None,
    back: Form | None = None,
    void: Form | None = None,
) -> Response:
    with reading(database) as session:
        view = record_view(session, record_id)
        verdicts = verdicts_of_head(session, view.head)
        involved = people_on(session, [record_id])[record_id]
        context = ApprovalPage(
            view=view,
            piles=_piles(request, session, view),
            tables=tuple(table for stage in Stage if (table := view.torque(stage)).passes),
            spread=_spread(view),
            missing=missing_of(session, view.head, working_pile(session, record_id), verdicts),
            corrections=corrections_of_records(session, [record_id])[record_id],
            concessions=concessions_used(session, record_id),
            removed=removed_from(session, record_id),
            verification=verify(session, [record_id]).get(record_id),
            inserted=inserted_event(session, view.head),
            rests=rests_on(session, (Rests.RECORD,), (record_id,)),
            closed=kept_closing_of(session, record_id, view.head.stack_id, view.measured_height_mm),
            tested=tested_sheet(session, view.head, verdicts),
            decides=may_decide(session, me, record_id, view.head.written_by_id),
            remarks=remarks_beside(session, me.id, involved, now_utc()),
            voids=_voids(session, me, view, involved),
            form=form or blank(request),
            back=back or blank(request),
            void=void or blank(request),
        )
    status = max(part.status for part in (context.form, context.back, context.void))
    return page(request, "bench/approvals/show.html", context, status)


def _voids(session: Session, me: Person, view: RecordView, involved: frozenset[int]) -> Voids:
    head = view.head
    proposed = void_proposed(session, head.id)
    facts = RecordFacts(
        head.state, head.written_by_id, involved | ({proposed.by_id} if proposed else set())
    )
    return Voids(may_void_alone(session, me, head), proposed, may(me, Act.RECORD_VOID, facts))


def _piles(request: Request, session: Session, view: RecordView) -> Piles | None:
    head = view.head
    number = head.build or head.base_build
    if number is None:
        return None
    after = layer_map(session, head.stack_id, build_number=number)
    before = None
    if head.build is not None and head.base_build is not None:
        before = layer_map(session, head.stack_id, build_number=head.base_build)
    comparison = compare(before.layers, after.layers) if before else None
    marks = comparison.marks if comparison else ()
    caption = f"Layer map of {head.stack}, build {number}"
    rows = tuple(
        change_row(mark.number, change, before, after)
        for mark in marks
        for change in mark.changes
        if before is not None
    )
    at = f"/stacks/{head.stack}?build={number}&whole=yes#map"
    drawing = section(after, caption, How(open_link=at), marks, before.digest if before else "")
    was = ""
    if before is not None and comparison is not None and comparison.out and not comparison.came_in:
        # what only went out shows in the pile before; else the pile after tells the whole
        titled = f"Layer map of {head.stack}, build {head.base_build}"
        was = section(before, titled, How(prefix="was", open_link=at), marks, after.digest)
    macros = request.app.state.templates.get_template("macros/state.html").module
    table = layer_table(
        after, "Layers from the fixed end", lambda word: str(macros.state(word)), as_today=False
    )
    return Piles(
        before,
        after,
        comparison,
        caption,
        Markup(drawing),  # noqa: S704 - our own drawing
        Markup(was),  # noqa: S704
        Markup(table),  # noqa: S704 - written and escaped by layer_table
        rows,
    )


def _spread(view: RecordView) -> Markup:
    """The closing readings of each rod against the target."""
    readings = [
        SpreadReading(rod, cell.counts.pass_number, cell.counts.torque_nm)
        for rod, cells in view.torque(Stage.CLOSING).rows
        for cell in cells
        if cell.counts is not None and not cell.counts.press
    ]
    if not readings:
        return Markup("")
    return Markup(  # noqa: S704 - our own drawing
        draw_spread(
            readings,
            title="Spread of the closing torque readings",
            target_nm=view.head.target_nm,
            tolerance_percent=view.head.tolerance_percent,
        )
    )
