"""The changeover of a stack: the form, the plan looked at, kept, and begun as a record."""

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.planning.arithmetic.wishes import Plates
from service.planning.changes import begin_record_from_plan, make_plan
from service.planning.pages.closing import ChangeoverClosingSheet, changeover_closing_sheet
from service.planning.pages.forms import (
    FIELDS,
    MAY_OPEN,
    ROD_FIELDS,
    WHERE,
    WISH_FIELDS,
    read_ask,
    serials_typed,
)
from service.planning.pages.sheets import PlanSheet, sheet_of
from service.planning.queries.closing import changeover_closing
from service.planning.queries.plans import KeptPlan, plan_by_number
from service.planning.queries.progress import Progress, progress
from service.planning.queries.store import parts_with_serials
from service.planning.queries.working_out import Ask, Ground, WorkedOut, ground_of, work_out
from service.platform.arithmetic.errors import TradeError
from service.platform.database import changing, now_utc, reading
from service.platform.errors import Refused
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.settings import Settings
from service.stacks.queries.layer_maps import layer_map
from service.stacks.queries.stacks import find_stack

router = APIRouter()


@dataclass(frozen=True, slots=True)
class FormPage:
    """The form of a changeover, with the plan it gives where wishes are filled in."""

    form: Form
    keep: Form
    ground: Ground
    sheet: PlanSheet | None
    clamp: ChangeoverClosingSheet | None
    carried: Mapping[str, str]
    where: tuple[tuple[str, str], ...] = WHERE
    may_open: tuple[tuple[str, str], ...] = MAY_OPEN
    rod_fields: tuple[tuple[str, str], ...] = ROD_FIELDS
    plates: tuple[str, ...] = tuple(Plates)


@dataclass(frozen=True, slots=True)
class PlanPage:
    """A plan as it was kept, and how its record stands against it."""

    plan: KeptPlan
    sheet: PlanSheet
    clamp: ChangeoverClosingSheet
    form: Form
    standing: Progress | None


@router.get("/stacks/{serial:path}/changeover")
def show_form(request: Request, me: Me, database: Database, asked: Asked, serial: str) -> Response:
    """Show the form, and the plan where wishes are filled in."""
    need(me, Act.READ)
    keep = blank(request, reserve=True, note=asked.kept("note"))
    return _form_page(request, database, asked, keep, serial)


@router.post("/stacks/{serial:path}/changeover")
def keep_plan(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Keep the plan that was looked at."""
    with form.keeping():
        with reading(database) as session:
            ground = ground_of(session, find_stack(session, serial))
            ask = _asked(request, form, ground, parts_with_serials(session, serials_typed(form)))
        note = form.text("note")
        with changing(database, me, key=form.key) as work:
            try:
                plan_id = make_plan(
                    work,
                    stack_id=ground.shown.stack.id,
                    ask=ask,
                    note=note,
                    reserve=form.yes("reserve"),
                    seen_sha256=form.kept("seen"),
                )
            except TradeError as trouble:
                raise Refused("wishes", "", str(trouble)) from trouble
            work.answer = f"/changeover-plans/{plan_id}"
        return go_on(request, work.answer)
    return _form_page(request, database, form, form, serial)


@router.get("/changeover-plans/{plan_id}")
def show_plan(request: Request, me: Me, database: Database, plan_id: int) -> Response:
    """Show a plan as it was made, and what its record did."""
    need(me, Act.READ)
    return _plan_page(request, database, plan_id, blank(request, performed_from=now_utc()))


@router.post("/changeover-plans/{plan_id}/begin")
def begin(request: Request, me: Me, database: Database, form: Typed, plan_id: int) -> Response:
    """Begin the record of a plan."""
    with form.keeping():
        performed_from = form.moment("performed_from")
        with changing(database, me, key=form.key) as work:
            record_id = begin_record_from_plan(
                work, plan_id, performed_from=performed_from or work.now
            )
            work.answer = f"/records/{record_id}/bench"
        return go_on(request, work.answer)
    return _plan_page(request, database, plan_id, form)


def address(serial: str) -> str:
    """The address of the form for a stack."""
    return f"/stacks/{quote(serial, safe='')}/changeover"


def _asked(
    request: Request, form: Form, ground: Ground, serials: dict[str, tuple[int, ...]]
) -> Ask:
    settings: Settings = request.app.state.settings
    return read_ask(form, ground, serials, now_utc().astimezone(settings.time_zone).date())


def _form_page(request: Request, database: Engine, form: Form, keep: Form, serial: str) -> Response:
    worked: WorkedOut | None = None
    clamp: ChangeoverClosingSheet | None = None
    again = Form(form.typed, zone=form.zone)
    with reading(database) as session:
        ground = ground_of(session, find_stack(session, serial))
        if not ground.why_not and any(form.kept(name) for name in (*WISH_FIELDS, "look")):
            ask = _asked(request, again, ground, parts_with_serials(session, serials_typed(again)))
            if not again.is_refused:
                with again.keeping():
                    try:
                        worked = work_out(session, ground, ask)
                    except TradeError as trouble:
                        raise Refused("wishes", "", str(trouble)) from trouble
        if worked is not None:
            found = changeover_closing(session, ground.shown, worked.document)
            clamp = changeover_closing_sheet(found)
    form.refused = {**again.refused, **form.refused}
    sheet = sheet_of(worked.document, worked.content_sha256, ground.shown) if worked else None
    carried = {name: form.kept(name) for name in FIELDS if form.kept(name)}
    return page(
        request,
        "planning/form.html",
        FormPage(form, keep, ground, sheet, clamp, carried),
        form.status,
    )


def _plan_page(request: Request, database: Engine, plan_id: int, form: Form) -> Response:
    with reading(database) as session:
        plan = plan_by_number(session, plan_id)
        shown = layer_map(session, plan.stack_id, build_number=plan.document.build)
        standing = progress(session, plan.record_id) if plan.record_id else None
        clamp = changeover_closing_sheet(changeover_closing(session, shown, plan.document))
    sheet = sheet_of(plan.document, plan.content_sha256, shown)
    context = PlanPage(plan, sheet, clamp, form, standing)
    return page(request, "planning/show.html", context, form.status)
